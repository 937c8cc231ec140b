"""Real chronyd processes, none of which touches the machine's clock (-x): what our own reading of
their monitoring says, against what chronyc says of the same instance."""

from __future__ import annotations

import asyncio
import os
import shutil
import socket
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from moontrim.clock.system import SystemClock
from moontrim.config.clock import ClockSettings
from moontrim.timekeeping.chrony import LOCAL_MODE
from moontrim.timekeeping.clockjumps import ClockWatch
from moontrim.timekeeping.sources import ask_chrony, read_chrony, readers_for
from moontrim.timekeeping.trust import ClockTrust
from support.effort import missing
from support.processor import within
from support.rigctld import free_port

pytestmark = pytest.mark.peers

CHRONYD = shutil.which("chronyd", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
Scene = Callable[[int], Awaitable[None]]


@pytest.fixture(autouse=True)
def require_chronyd() -> None:
    """Skip without it, except in CI, where its absence is a failure."""
    if CHRONYD is None or shutil.which("chronyc") is None:
        missing("chrony")


@asynccontextmanager
async def chronyd(folder: Path, monitoring_port: int, *lines: str) -> AsyncIterator[None]:
    """With its monitoring on that port of the loopback only."""
    config = folder / f"{monitoring_port}.conf"
    own = (
        f"cmdport {monitoring_port}",
        "bindcmdaddress 127.0.0.1",
        "bindcmdaddress /",
        f"pidfile {folder / f'{monitoring_port}.pid'}",
    )
    config.write_text("\n".join((*own, *lines, "")))
    as_root = ("-u", "root") if os.geteuid() == 0 else ("-U",)
    assert CHRONYD is not None
    process = await asyncio.create_subprocess_exec(
        *(CHRONYD, "-x", "-d", *as_root, "-f", str(config)),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        async with within(10.0):
            while await read_chrony(SystemClock(), monitoring_port) is None:
                assert process.returncode is None, "chronyd ended"
                await asyncio.sleep(0.05)
        yield
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()


@asynccontextmanager
async def a_server_and_its_client(folder: Path, *more: str) -> AsyncIterator[tuple[int, int]]:
    """Their monitoring ports: one that serves its own clock, one that follows it."""
    server, client, ntp = (
        free_port(socket.SOCK_DGRAM),
        free_port(socket.SOCK_DGRAM),
        free_port(socket.SOCK_DGRAM),
    )
    serve = (f"port {ntp}", "local stratum 8", "allow 127.0.0.0/8", "bindaddress 127.0.0.1")
    # Polls sixteen times a second, which chronyd allows where the delay is short.
    follow = (f"server 127.0.0.1 port {ntp} iburst minpoll -4 maxpoll -4", "port 0", *more)
    async with chronyd(folder, server, *serve), chronyd(folder, client, *follow):
        yield server, client


async def chronyc(port: int) -> list[str]:
    """Its tracking report as comma-separated values."""
    process = await asyncio.create_subprocess_exec(
        *("chronyc", "-c", "-h", "127.0.0.1", "-p", str(port), "tracking"),
        stdout=asyncio.subprocess.PIPE,
    )
    async with within(10.0):
        said, _ = await process.communicate()
    return said.decode().strip().split(",")


async def synchronised(port: int) -> None:
    async with within(20.0):
        while not (await ask_chrony(SystemClock(), port)).synchronised:
            await asyncio.sleep(0.1)


def test_a_clock_that_follows_itself_is_not_synchronised(tmp_path: Path) -> None:
    """`local` makes chronyd say that all is well, with a bound of zero."""

    async def main() -> None:
        port = free_port(socket.SOCK_DGRAM)
        async with chronyd(tmp_path, port, "port 0", "local stratum 10"):
            tracking = await ask_chrony(SystemClock(), port)
            assert tracking.stratum == 10 and tracking.leap == 0
            assert tracking.reference_id == LOCAL_MODE
            reading = await read_chrony(SystemClock(), port)
            assert reading is not None and not reading.synchronised
            assert "local reference only" in reading.detail

    asyncio.run(main())


def test_a_clock_that_follows_nothing_is_not_synchronised(tmp_path: Path) -> None:
    async def main() -> None:
        port = free_port(socket.SOCK_DGRAM)
        async with chronyd(tmp_path, port, "port 0"):
            reading = await read_chrony(SystemClock(), port)
            assert reading is not None and not reading.synchronised
            assert (await chronyc(port))[-1] == "Not synchronised"

    asyncio.run(main())


def test_the_report_is_that_of_chronyc(tmp_path: Path) -> None:
    """Field by field, between two of our own looks, since it moves meanwhile."""

    async def main() -> None:
        async with a_server_and_its_client(tmp_path) as (_, port):
            await synchronised(port)
            clock = SystemClock()
            for _ in range(50):
                before = await ask_chrony(clock, port)
                said = await chronyc(port)
                after = await ask_chrony(clock, port)
                if before.updated_utc_s == after.updated_utc_s:
                    break
            else:
                pytest.fail("it was updated at every look")
            assert before.reference_id == after.reference_id == int(said[0], 16)
            assert before.stratum == int(said[2]) == 9
            assert before.updated_utc_s == pytest.approx(float(said[3]), abs=1e-6)
            # chronyc gives nine places; what is slewed and the dispersion change meanwhile.
            low_s, high_s = sorted((before.slow_s, after.slow_s))
            assert low_s - 2e-9 <= float(said[4]) <= high_s + 2e-9
            assert before.root_delay_s == pytest.approx(float(said[10]), abs=1e-9)
            assert before.root_dispersion_s - 1e-9 <= float(said[11])
            assert float(said[11]) <= after.root_dispersion_s + 1e-9
            assert said[13] == "Normal"
            assert before.bound_s > 0.0

    asyncio.run(main())


def test_trust_comes_with_synchronisation_and_outlives_its_source_for_a_while(
    tmp_path: Path,
) -> None:
    async def main() -> None:
        clock = SystemClock()
        async with a_server_and_its_client(tmp_path) as (server, port):
            settings = ClockSettings(chrony_port=port)
            only_chrony = readers_for(clock, settings)[:1]
            trust = ClockTrust(clock, ClockWatch(clock), settings, only_chrony)
            assert trust.doubt() != ""
            # From the first few samples chronyd cannot tell the rate, and its bound is wide.
            async with within(20.0):
                while not (trust.doubt() == "" and trust.cost_hz(-2.2) < 0.03):
                    await trust.poll()
                    await asyncio.sleep(0.1)
            lost = ClockTrust(
                clock,
                ClockWatch(clock),
                settings,
                readers_for(clock, ClockSettings(chrony_port=server))[:1],
            )
            await lost.poll()
            assert "local reference only" in lost.doubt()
        await trust.poll()
        assert trust.doubt() == "", "chronyd is gone; the clock has not moved yet"
        assert trust.reading is not None
        assert trust.error_bound_s() > trust.reading.bound_s

    asyncio.run(main())


def test_the_reading_takes_no_time(tmp_path: Path) -> None:
    """The loop is not held up: a look is a question on the loopback. Twenty of them within the time
    that one may take."""

    async def main() -> None:
        clock = SystemClock()
        port = free_port(socket.SOCK_DGRAM)
        async with chronyd(tmp_path, port, "port 0"):
            began_s = clock.monotonic_s()
            for _ in range(20):
                assert await read_chrony(clock, port) is not None
            assert clock.monotonic_s() - began_s < 0.5

    asyncio.run(main())
