"""A daemon that is stopped, killed or hung while the radio is keyed by a command: the guard process
unkeys it within a second, and nothing keys it again by itself. With real processes: the simulated
radio on a serial line and on a socket, and the real rig-control daemon with its dummy radio."""

from __future__ import annotations

import asyncio
import contextlib
import json
import shutil
import signal
import sqlite3
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import psutil  # type: ignore[import-untyped]
import pytest

from moontrim.guard.deadman import AFTER_LONGEST_S
from moontrim.guard.unkeyguard import NO_ANSWER_S
from moontrim.path import Ephemeris
from peers.test_faults_killed import OFFSET_HZ, SKED_HZ, under_the_moon
from support.effort import effort
from support.moontrim_process import ENVIRONMENT, next_line
from support.processor import within
from support.rigctld import free_port, listening, require_rigctld, rigctld

pytestmark = pytest.mark.peers

TIMES = effort(3, 8, 20)
UNKEYED_S = 1.0
CONFIG = """
state_dir = "{folder}/state"
[clock]
trust = "any"
[remote]
enabled = false
[share]
port = {share_port}
[home]
latitude_deg = {home.latitude_deg}
longitude_deg = {home.longitude_deg}
[session]
agreement = "halves"
[radio]
driver = "{driver}"
options = {{ {options} }}
[[bands]]
name = "10 GHz"
sked_hz = {sked_hz}
allowed_low_hz = {low_hz}
allowed_high_hz = {high_hz}
transverter_offset_hz = {offset_hz}
drive_ceiling = 0.2
[keying]
enabled = true
longest_over_s = {longest_s}
[[keying.outputs]]
kind = "simulated"
name = "amplifier"
settle_ms = 20
[[keying.outputs]]
kind = "radio"
"""


class Radio:
    """What is known of the transmitter from outside."""

    def __init__(self) -> None:
        self.keyed = asyncio.Event()
        self.unkeyed = asyncio.Event()
        self.unkeyed.set()

    def show(self, transmitting: bool) -> None:
        now, other = (self.keyed, self.unkeyed) if transmitting else (self.unkeyed, self.keyed)
        now.set()
        other.clear()


@asynccontextmanager
async def simulated(bus: str, folder: Path) -> AsyncIterator[tuple[Radio, str]]:
    """Yields the radio and its driver's options."""
    arguments = ["--bus", bus, "--watch"]
    if bus != "socket":
        arguments += ["--link", str(folder / "radio")]
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "moontrim", "simulate", *arguments),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
        env=ENVIRONMENT,
    )
    radio = Radio()
    address = ""
    while not address:
        line = await next_line(process)
        address = "" if line.startswith("{") else line

    async def watch() -> None:
        assert process.stdout is not None
        while line := await process.stdout.readline():
            if line.startswith(b"{"):
                radio.show(json.loads(line)["transmitting"])

    watching = asyncio.create_task(watch())
    options = {
        "socket": f'host = "127.0.0.1", port = {address.split(":")[-1]}',
        "civ": f'port = "{folder}/radio", address = 0xA2',
        "asciicat": f'port = "{folder}/radio"',
    }[bus]
    try:
        yield radio, options
    finally:
        watching.cancel()
        process.kill()
        await process.wait()


@asynccontextmanager
async def dummy(folder: Path) -> AsyncIterator[tuple[Radio, str]]:
    """The real rig-control daemon; its transmit state is asked for on a connection of its own."""
    port = free_port()
    radio = Radio()
    async with rigctld(port):
        await listening(port)
        reader, writer = await asyncio.open_connection("127.0.0.1", port)

        async def watch() -> None:
            while True:
                writer.write(b"t\n")
                answer = (await reader.readline()).strip()
                if answer in (b"0", b"1"):
                    radio.show(answer == b"1")
                await asyncio.sleep(0.02)

        watching = asyncio.create_task(watch())
        try:
            yield radio, f'host = "127.0.0.1", port = {port}'
        finally:
            watching.cancel()
            await asyncio.gather(watching, return_exceptions=True)
            writer.transport.abort()


class Station:
    """A daemon with keying, and the program that keys it through the share."""

    def __init__(
        self,
        folder: Path,
        radio: Radio,
        driver: str,
        options: str,
        longest_s: float = 60.0,
        program: tuple[str, str] = ("-m", "moontrim"),
    ) -> None:
        self.radio = radio
        self.program = program
        self.folder = folder
        self.share_port = free_port()
        self.config = folder / "config.toml"
        self.config.write_text(
            CONFIG.format(
                folder=folder,
                share_port=self.share_port,
                home=under_the_moon(Ephemeris.load()),
                driver=driver,
                options=options,
                sked_hz=SKED_HZ,
                low_hz=SKED_HZ - 100_000,
                high_hz=SKED_HZ + 100_000,
                offset_hz=OFFSET_HZ,
                longest_s=longest_s,
            )
        )

    async def __aenter__(self) -> Station:
        with (self.folder / "log").open("ab") as log:
            self.process = await asyncio.create_subprocess_exec(
                *(sys.executable, *self.program, "run", "--quiet"),
                *("--config", str(self.config)),
                stdin=asyncio.subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env=ENVIRONMENT,
            )
        try:
            await listening(self.share_port, 30.0)
        except TimeoutError:
            self.process.kill()
            raise AssertionError(self.log()) from None
        self.reader, self.writer = await asyncio.open_connection("127.0.0.1", self.share_port)
        return self

    async def __aexit__(self, *error: object) -> None:
        self.writer.transport.abort()
        if self.process.returncode is None:
            self.process.send_signal(signal.SIGCONT)
            self.process.terminate()
            await self.process.wait()

    def journal(self) -> list[str]:
        """What the journal says of the guard; the daemon writes it every second and at its end."""
        file = next((self.folder / "state").rglob("journal.sqlite3"))
        with contextlib.closing(sqlite3.connect(file)) as db:
            rows = db.execute("SELECT outcome FROM commands WHERE \"by\" = 'guard' ORDER BY id")
            return [outcome for (outcome,) in rows]

    def log(self) -> str:
        return (self.folder / "log").read_text()

    async def ask(self, command: str) -> str:
        self.writer.write(f"{command}\n".encode())
        async with within(20):
            return (await self.reader.readline()).decode().strip()

    async def key(self) -> None:
        """On frequency a moment later than the radio answers, so it is asked for again."""
        async with within(30):
            while await self.ask("T 1") != "RPRT 0":
                await self.ask("T 0")
                await asyncio.sleep(0.1)
            await self.radio.keyed.wait()

    async def stop(self) -> float:
        """Stops the daemon; the radio is unkeyed in time. Returns after how many seconds."""
        began_s = time.monotonic()
        async with within(UNKEYED_S):
            self.process.send_signal(signal.SIGSTOP)
            await self.radio.unkeyed.wait()
        return time.monotonic() - began_s

    def guard(self) -> psutil.Process:
        for child in psutil.Process(self.process.pid).children():
            if "moontrim.guard.process" in child.cmdline():
                return child
        raise AssertionError(f"no guard process; log:\n{self.log()}")


async def stopped_again_and_again(station: Station) -> None:
    took_s = []
    for turn in range(TIMES):
        await station.key()
        await asyncio.sleep(0.05 * (turn % 7))
        took_s.append(await station.stop())
        await asyncio.sleep(0.3)
        station.process.send_signal(signal.SIGCONT)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(station.radio.keyed.wait(), 1.0)
            raise AssertionError(f"keyed again by itself:\n{station.log()}")
        await station.ask("T 0")
    print(f"unkeyed after {min(took_s):.2f} to {max(took_s):.2f} s: {sorted(took_s)}")


@pytest.mark.parametrize("bus", ["socket", "civ", "asciicat"])
def test_stopped_again_and_again_the_radio_is_unkeyed(bus: str, tmp_path: Path) -> None:
    async def scene() -> None:
        async with (
            simulated(bus, tmp_path) as (radio, options),
            Station(tmp_path, radio, bus, options) as station,
        ):
            await stopped_again_and_again(station)
        named = [text for text in station.journal() if "moontrim did not run for" in text]
        assert len(named) >= TIMES, named

    asyncio.run(scene())


def test_stopped_again_and_again_beside_the_real_rig_control_daemon(tmp_path: Path) -> None:
    require_rigctld()

    async def scene() -> None:
        async with (
            dummy(tmp_path) as (radio, options),
            Station(tmp_path, radio, "socket", options) as station,
        ):
            await stopped_again_and_again(station)

    asyncio.run(scene())


# The daemon with a busy loop on demand, and without its own limit of an over.
DEFECTIVE = """
import signal, sys, time
from moontrim.cli.main import main
from moontrim.keying import keyer

def hang(*_):
    until_s = time.monotonic() + 3.0
    while time.monotonic() < until_s:
        pass

judge = keyer.hindrances
keyer.hindrances = lambda conditions, settings, over_s=0.0: judge(conditions, settings, 0.0)
signal.signal(signal.SIGUSR1, hang)
sys.exit(main())
"""


@pytest.mark.parametrize("bus", ["socket", "civ", "asciicat"])
def test_hung_in_a_busy_loop_the_radio_is_unkeyed(bus: str, tmp_path: Path) -> None:
    async def scene() -> None:
        async with (
            simulated(bus, tmp_path) as (radio, options),
            Station(tmp_path, radio, bus, options, program=("-c", DEFECTIVE)) as station,
        ):
            await station.key()
            began_s = time.monotonic()
            station.process.send_signal(signal.SIGUSR1)
            async with within(UNKEYED_S):
                await radio.unkeyed.wait()
            print(f"{bus}: unkeyed after {time.monotonic() - began_s:.2f} s")
            await asyncio.sleep(4.0)
            assert not radio.keyed.is_set(), "keyed again by itself"
            assert "moontrim did not run for" in station.log()

    asyncio.run(scene())


@pytest.mark.parametrize("bus", ["socket", "civ"])
def test_the_longest_over_ends_though_the_daemon_does_not_end_it(bus: str, tmp_path: Path) -> None:
    longest_s = 3.0

    async def scene() -> None:
        async with (
            simulated(bus, tmp_path) as (radio, options),
            Station(tmp_path, radio, bus, options, longest_s, ("-c", DEFECTIVE)) as station,
        ):
            await station.key()
            began_s = time.monotonic()
            async with within(longest_s + AFTER_LONGEST_S + UNKEYED_S):
                await radio.unkeyed.wait()
            print(f"{bus}: unkeyed after {time.monotonic() - began_s:.2f} s")
            async with within(2.0):  # it tells once it has sent the command several times
                while "guard: the over has passed its limit of 3 s" not in station.log():
                    await asyncio.sleep(0.05)

    asyncio.run(scene())


@pytest.mark.parametrize("bus", ["socket", "civ"])
def test_killed_while_keyed(bus: str, tmp_path: Path) -> None:
    async def scene() -> None:
        async with simulated(bus, tmp_path) as (radio, options):
            for _ in range(3):
                # A start after a kill inhibits transmit until somebody permits it.
                shutil.rmtree(tmp_path / "state", ignore_errors=True)
                async with Station(tmp_path, radio, bus, options) as station:
                    await station.key()
                    guard = station.guard()
                    began_s = time.monotonic()
                    station.process.kill()
                    async with within(UNKEYED_S):
                        await radio.unkeyed.wait()
                    await station.process.wait()
                    print(f"unkeyed after {time.monotonic() - began_s:.2f} s")
                    async with within(2.0):
                        # One that has ended may wait for the system to take note of it.
                        while guard.is_running() and guard.status() != "zombie":
                            await asyncio.sleep(0.02)

    asyncio.run(scene())


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
def test_a_guard_that_dies_or_hangs_ends_the_over_and_the_next_has_another(
    how: signal.Signals, tmp_path: Path
) -> None:
    async def scene() -> None:
        async with (
            simulated("civ", tmp_path) as (radio, options),
            Station(tmp_path, radio, "civ", options) as station,
        ):
            await station.key()
            guard = station.guard()
            guard.send_signal(how)
            async with within(UNKEYED_S if how is signal.SIGKILL else NO_ANSWER_S + UNKEYED_S):
                await radio.unkeyed.wait()
            assert "no guard: the guard process" in station.log()
            assert await station.ask("T 1") != "RPRT 0", "the key has not been released"
            await station.ask("T 0")
            await station.key()
            assert station.guard().pid != guard.pid
            await station.stop()

    asyncio.run(scene())


def test_the_guard_ends_with_the_daemon_and_holds_no_port(tmp_path: Path) -> None:
    async def scene() -> None:
        async with simulated("civ", tmp_path) as (radio, options):
            async with Station(tmp_path, radio, "civ", options) as station:
                await station.key()
                guard = station.guard()
                await station.ask("T 0")
                await radio.unkeyed.wait()
                await asyncio.sleep(0.3)
                files = Path(f"/proc/{guard.pid}/fd").iterdir()
                links = [str(file.readlink()) for file in files]
                assert not any(link.startswith("/dev/pts/") for link in links), links
            async with within(2.0):
                while guard.is_running():
                    await asyncio.sleep(0.02)

    asyncio.run(scene())
