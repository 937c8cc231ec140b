"""A daemon on the simulated radio, in real time, with its share on a free port; and programs that
use it: a plain socket and Hamlib's rigctl."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from copy import deepcopy
from pathlib import Path
from typing import Any

from moontrim.app.daemon import Daemon
from moontrim.clock.system import SystemClock
from moontrim.config.settings import settings_from
from moontrim.config.share import ShareSettings
from moontrim.errors import MoontrimError
from moontrim.path import Ephemeris
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.share.server import Share
from moontrim.share.sharedradio import RigAccess
from moontrim.state.snapshot import Snapshot, Tracking
from moontrim_drivers.contract import RigDetails
from moontrim_drivers.simulated.driver import SimulatedDriver
from support.effort import missing
from support.moonup import places_under_the_moon
from support.processor import within

SKED_HZ = 10_368_100_000
LOW = {  # in the same box of transverters, so that a program may choose it
    "name": "432 MHz",
    "front_end": "10 GHz",
    "transverter_offset_hz": 288_000_000,
    "sked_hz": 432_070_000,
    "tx_low_hz": 432_000_000,
    "tx_high_hz": 433_000_000,
}


class FakeKeying:
    """Keys after `settle_s`, for one at a time; records what happened."""

    def __init__(self, settle_s: float = 0.0) -> None:
        self.settle_s = settle_s
        self.refuse = ""
        self.who = ""
        self.keyed = False
        self.log: list[str] = []

    async def request(self, who: str) -> None:
        if self.refuse or self.who not in ("", who):
            raise MoontrimError(f"not transmitting: {self.refuse or self.who + ' is'}")
        self.who = who
        self.log.append(f"raise {who}")
        await asyncio.sleep(self.settle_s)
        if self.who != who:
            raise MoontrimError("not transmitting: released")
        self.keyed = True
        self.log.append(f"keyed {who}")

    def release(self, who: str) -> None:
        if who == self.who:
            self.who, self.keyed = "", False
            self.log.append(f"released {who}")

    def transmitting(self) -> bool:
        return self.keyed


class Stand:
    """The daemon, its radio, its keying and the port of its share."""

    def __init__(self, daemon: Daemon, driver: SimulatedDriver, keying: FakeKeying) -> None:
        self.daemon, self.radio, self.keying = daemon, driver.radio, keying
        self.port = 0

    @property
    def snapshot(self) -> Snapshot:
        assert self.daemon.hub.latest is not None
        return self.daemon.hub.latest

    @asynccontextmanager
    async def program(self) -> AsyncIterator[Program]:
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
        try:
            yield Program(reader, writer)
        finally:
            writer.transport.abort()


class Program:
    """A program on a plain socket."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    async def ask(self, command: str, lines: int = 1) -> str:
        """Sends a command and returns the answer, which has so many lines."""
        self.writer.write(f"{command}\n".encode())
        async with within(10.0):
            answer = [(await self.reader.readline()).decode() for _ in range(lines)]
        return "".join(answer).rstrip("\n")


async def play_shared(
    folder: Path,
    ephemeris: Ephemeris,
    scene: Callable[[Stand], Awaitable[None]],
    *,
    share: dict[str, Any] | None = None,
    keying: FakeKeying | None = None,
    details: bool = True,
    band: dict[str, Any] | None = None,
) -> None:
    """Runs a scene once the radio is on frequency and the share open."""
    raw = deepcopy(EMBEDDED)
    raw |= {"state_dir": str(folder), "remote": {"enabled": False}} | places_under_the_moon()
    raw["bands"] = [raw["bands"][0] | (band or {}), LOW]
    settings = settings_from(raw, "test")
    clock = SystemClock()
    driver = SimulatedDriver(settings.radio.driver_options(), clock)
    daemon = Daemon(settings, clock, ephemeris, driver, seed=1)
    stand = Stand(daemon, driver, keying or FakeKeying())
    ready = asyncio.Event()

    def opened(port: int) -> None:
        stand.port = port
        ready.set()

    async def look() -> RigDetails:
        return driver.radio.details()

    async def set_mode(mode: str, passband_hz: int) -> None:
        driver.radio.set_mode(mode, passband_hz)

    async def set_power(fraction: float) -> None:
        driver.radio.set_power(fraction)

    side = Share(
        ShareSettings.model_validate(share or {}),
        transmit=stand.keying,
        rig=RigAccess(look, set_mode, set_power) if details else RigAccess(),
        on_ready=opened,
        port=0,
    )
    failure: list[BaseException] = []

    async def act(daemon: Daemon) -> None:
        try:
            async with within(60.0):
                await ready.wait()
                while daemon.hub.latest is None or (
                    daemon.hub.latest.tracking is not Tracking.ON_FREQUENCY
                ):
                    await daemon.hub.next()
                await scene(stand)
        except Exception as error:
            failure.append(error)
        finally:
            daemon.stop.set()

    await daemon.run(side.run, act)
    if failure:
        raise failure[0]


class Rigctl:
    """Hamlib's rigctl as its network client, one long session."""

    PROMPT = b"Rig command: "

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self._process = process

    @classmethod
    @asynccontextmanager
    async def connected(cls, port: int, *options: str) -> AsyncIterator[Rigctl]:
        process = await asyncio.create_subprocess_exec(
            *("rigctl", "-m", "2", "-r", f"127.0.0.1:{port}", *options),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
        )
        try:
            session = cls(process)
            await session.read_answer()
            yield session
        finally:
            if process.returncode is None:
                process.kill()
            await process.wait()

    async def read_answer(self) -> str:
        assert self._process.stdout is not None
        async with within(15.0):
            return (await self._process.stdout.readuntil(self.PROMPT)).decode(errors="replace")

    async def ask(self, command: str) -> str:
        """Sends a command and returns what it prints, on one line (rigctl ends one of its lists
        with a NUL)."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{command}\n".encode())
        text = (await self.read_answer()).removesuffix(self.PROMPT.decode())
        return " ".join(text.replace("\0", "").split())


def require_rigctl() -> None:
    """Skips without rigctl, except in CI, where its absence is a failure."""
    if shutil.which("rigctl") is None:
        missing("rigctl")
