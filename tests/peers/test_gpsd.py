"""The real gpsd, fed with sentences of our own over UDP: a van that drives up a hill, with the sky
blocked on the way."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import socket
from collections.abc import AsyncIterator, Coroutine
from contextlib import asynccontextmanager
from typing import Any

import pytest

from moontrim.clock.system import SystemClock
from moontrim.config.gps import GpsSettings
from moontrim.gps.fix import Fix, SteadyHome, distance_m
from moontrim.gps.receiver import GpsWatch
from moontrim.gps.timecheck import clock_ahead_s
from moontrim.path.site import Site
from support.effort import missing
from support.nmea_sentences import gga, gsa, rmc
from support.processor import within
from support.rigctld import free_port, listening

pytestmark = pytest.mark.peers

GPSD = shutil.which("gpsd", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
VALLEY = Site(48.117302, 16.516674, 592.3)
HILL = Site(48.131113, 16.498222, 1013.0)
GEOID_M = 46.9
FAST_S = 0.1  # ten reports a second


@pytest.fixture(autouse=True)
def require_gpsd() -> None:
    """Skip without it, except in CI, where its absence is a failure."""
    if GPSD is None:
        missing("gpsd")


class Receiver:
    """Sends a report every FAST_S, from wherever it is. behind_s: its clock is that late."""

    def __init__(self, port: int) -> None:
        self.site = VALLEY
        self.quality = 1
        self.behind_s = 0.0
        self._address = ("127.0.0.1", port)
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)

    @property
    def name(self) -> str:
        """As gpsd has it."""
        return f"udp://{self._address[0]}:{self._address[1]}"

    async def run(self) -> None:
        with self._socket:
            await self._send()

    async def _send(self) -> None:
        clock = SystemClock()
        while True:
            at_s = round((clock.utc_s() - self.behind_s) / FAST_S) * FAST_S
            place = (self.site.latitude_deg, self.site.longitude_deg)
            # As receivers do: measured, no fix, dead reckoning.
            status, mode = {1: ("A", "A"), 0: ("V", "N"), 6: ("A", "E")}[self.quality]
            sentences = (
                rmc(at_s, *place, status=status, mode=mode),
                gga(
                    at_s,
                    *place,
                    above_sea_m=round(self.site.height_m - GEOID_M, 1),
                    geoid_m=GEOID_M,
                    quality=self.quality,
                ),
                gsa() if self.quality else b"",
            )
            for sentence in sentences:
                self._socket.sendto(sentence, self._address)
            await asyncio.sleep(FAST_S)


@asynccontextmanager
async def gpsd(port: int, *devices: str) -> AsyncIterator[None]:
    assert GPSD is not None
    process = await asyncio.create_subprocess_exec(
        *(GPSD, "-N", "-n", "-S", str(port), *devices),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        await listening(port)
        yield
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()


@asynccontextmanager
async def running(*workers: Coroutine[Any, Any, None]) -> AsyncIterator[None]:
    tasks = [asyncio.ensure_future(worker) for worker in workers]
    try:
        async with within(40.0):
            yield
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def fix_at(got: asyncio.Queue[Fix], site: Site) -> Fix:
    """The next fix in three dimensions within a metre of there. gpsd may begin with two, and for a
    moment give a new place with the height of the old."""
    while True:
        fix = await got.get()
        if fix.position.height_m is not None and distance_m(site, fix.position) < 1.0:
            return fix


def test_a_van_drives_up_a_hill() -> None:
    async def main() -> None:
        port = free_port()
        receiver = Receiver(free_port(socket.SOCK_DGRAM))
        got: asyncio.Queue[Fix] = asyncio.Queue()
        watch = GpsWatch(GpsSettings(source="gpsd", port=port), SystemClock())
        async with gpsd(port, receiver.name), running(receiver.run(), watch.run(got.put_nowait)):
            fix = await fix_at(got, VALLEY)
            # gpsd prints nine places of a degree, 0.1 mm, and our sentences have six of a minute.
            assert distance_m(VALLEY, fix.position) < 0.1
            assert fix.position.height_m == pytest.approx(592.3, abs=0.01), "above the ellipsoid"
            assert fix.position.error_m is not None and 1.0 < fix.position.error_m < 100.0
            assert fix.position.quality == "3D"

            low_s, high_s = clock_ahead_s(fix) or (9.0, 9.0)
            assert low_s <= 0.0 <= high_s, "both clocks are this machine's"

            receiver.site, receiver.quality = HILL, 6  # dead reckoning
            await asyncio.sleep(1.0)
            while not got.empty():
                seen = got.get_nowait().position
                assert distance_m(VALLEY, seen) < 1.0, "as before, if at all"
            assert watch.age_s() > 0.5
            receiver.quality = 1
            fix = await fix_at(got, HILL)
            assert fix.position.height_m == pytest.approx(1013.0, abs=0.01)

            steady = SteadyHome()
            site = None
            while site is None:
                site = steady.add((await got.get()).position)
            assert distance_m(site, fix.position) < 0.1

            receiver.quality = 0
            # No fix, no position: what was under way still comes, and then nothing for a second.
            async with within(10.0):
                with contextlib.suppress(TimeoutError):
                    while True:
                        async with within(1.0):
                            await got.get()

    asyncio.run(main())


def test_a_receiver_whose_time_is_wrong_by_five_seconds() -> None:
    async def main() -> None:
        port = free_port()
        receiver = Receiver(free_port(socket.SOCK_DGRAM))
        receiver.behind_s = 5.0
        got: asyncio.Queue[Fix] = asyncio.Queue()
        watch = GpsWatch(GpsSettings(source="gpsd", port=port), SystemClock())
        async with gpsd(port, receiver.name), running(receiver.run(), watch.run(got.put_nowait)):
            low_s, high_s = clock_ahead_s(await got.get()) or (0.0, 0.0)
            assert low_s <= 5.0 <= high_s and low_s > 3.0

    asyncio.run(main())


def test_gpsd_dies_and_comes_back() -> None:
    async def main() -> None:
        port = free_port()
        receiver = Receiver(free_port(socket.SOCK_DGRAM))
        got: asyncio.Queue[Fix] = asyncio.Queue()
        watch = GpsWatch(GpsSettings(source="gpsd", port=port), SystemClock())
        async with running(receiver.run(), watch.run(got.put_nowait)):
            async with gpsd(port, receiver.name):
                await got.get()
                assert watch.problem == ""
            while not watch.problem:
                await asyncio.sleep(0.05)
            while not got.empty():
                got.get_nowait()
            async with gpsd(port, receiver.name):
                await got.get()
                assert watch.problem == ""

    asyncio.run(main())


def test_one_receiver_of_two() -> None:
    async def main() -> None:
        port = free_port()
        valley, hill = (
            Receiver(free_port(socket.SOCK_DGRAM)),
            Receiver(free_port(socket.SOCK_DGRAM)),
        )
        hill.site = HILL
        got: asyncio.Queue[Fix] = asyncio.Queue()
        settings = GpsSettings(source="gpsd", port=port, device=hill.name)
        watch = GpsWatch(settings, SystemClock())
        async with (
            gpsd(port, valley.name, hill.name),
            running(valley.run(), hill.run(), watch.run(got.put_nowait)),
        ):
            for _ in range(5):
                assert distance_m(HILL, (await got.get()).position) < 1.0

    asyncio.run(main())
