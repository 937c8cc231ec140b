"""A daemon with keying, as a process, and a radio that can be watched from outside: the simulated
one on a serial line or a socket, or the real rig-control daemon with its dummy radio."""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import sqlite3
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import numpy as np
import psutil  # type: ignore[import-untyped]

from moontrim.path import Ephemeris, Site, solve_path
from support.moontrim_process import ENVIRONMENT, next_line
from support.moonup import under_the_moon
from support.processor import within
from support.rigctld import free_port, listening, rigctld

SKED_HZ = 10_368_100_000
OFFSET_HZ = 10_224_000_000
UNKEYED_S = 1.0  # after its daemon has been stopped or killed, or hangs
OUTPUTS = """
[[keying.outputs]]
kind = "simulated"
name = "amplifier"
settle_ms = 20
[[keying.outputs]]
"""
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
[defaults]
agreement = "halves"
[radio]
driver = "{driver}"
options = {{ {options} }}
[[bands]]
name = "10 GHz"
sked_hz = {sked_hz}
tx_low_hz = {low_hz}
tx_high_hz = {high_hz}
transverter_offset_hz = {offset_hz}
drive_ceiling = 0.2
[keying]
enabled = true
longest_over_s = {longest_s}
{outputs}
"""


def station_config(
    folder: Path,
    share_port: int,
    driver: str,
    options: str,
    outputs: str,
    longest_s: float = 60.0,
) -> str:
    """Returns the config of a station at 10 GHz with keying, where the Moon is up now, its state in
    a folder's `state`. options: the text in the braces of the driver's; outputs: of the keying."""
    return CONFIG.format(
        folder=folder,
        share_port=share_port,
        home=under_the_moon(),
        driver=driver,
        options=options,
        sked_hz=SKED_HZ,
        low_hz=SKED_HZ - 100_000,
        high_hz=SKED_HZ + 100_000,
        offset_hz=OFFSET_HZ,
        outputs=outputs,
        longest_s=longest_s,
    )


class Ideal:
    """Where the dials ought to be for the station's own echo with both legs corrected, by the exact
    path: a value each second, joined by straight lines (1e-4 Hz)."""

    PIECE_S = 300

    def __init__(self, ephemeris: Ephemeris, home: Site) -> None:
        self._ephemeris, self._home = ephemeris, home
        self._utc_s = np.zeros(1)
        self._up = self._down = np.zeros(1)

    def dials_hz(self, sked_hz: float, utc_s: float) -> tuple[float, float]:
        if not self._utc_s[0] <= utc_s < self._utc_s[-1]:
            self._utc_s = np.floor(utc_s) + np.arange(self.PIECE_S + 1.0)
            legs = solve_path(self._ephemeris, self._home, None, self._utc_s).legs
            self._up, self._down = legs["home_to_moon"].fraction, legs["moon_to_home"].fraction
        up = float(np.interp(utc_s, self._utc_s, self._up))
        down = float(np.interp(utc_s, self._utc_s, self._down))
        return sked_hz * (1 + down) - OFFSET_HZ, sked_hz / (1 + up) - OFFSET_HZ


class Radio:
    """What is known of it from outside."""

    def __init__(self) -> None:
        self.pid = 0  # of its process
        self.dials: tuple[int, int] | None = None  # receive and transmit, Hz
        self.keyed = asyncio.Event()
        self.unkeyed = asyncio.Event()
        self.unkeyed.set()

    def show(self, transmitting: bool) -> None:
        now, other = (self.keyed, self.unkeyed) if transmitting else (self.unkeyed, self.keyed)
        now.set()
        other.clear()


# A radio has a processor of its own. The simulated one waits for its turn on a loaded machine; a
# daemon, which cannot know that, takes it for lost.
PATIENT_S = 1.0


@asynccontextmanager
async def simulated(
    bus: str, folder: Path, *, answer_s: float = PATIENT_S
) -> AsyncIterator[tuple[Radio, str]]:
    """Yields the radio and its driver's options. answer_s: how long a serial one may take."""
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
    radio.pid = process.pid
    address = ""
    while not address:
        line = await next_line(process)
        address = "" if line.startswith("{") else line

    async def watch() -> None:
        assert process.stdout is not None
        while line := await process.stdout.readline():
            if line.startswith(b"{"):
                now = json.loads(line)
                radio.dials = now["rx_dial_hz"], now["tx_dial_hz"]
                radio.show(now["transmitting"])

    watching = asyncio.create_task(watch())
    options = {
        "socket": f'host = "127.0.0.1", port = {address.split(":")[-1]}',
        "civ": f'port = "{folder}/radio", answer_s = {answer_s}, address = 0xA2',
        "asciicat": f'port = "{folder}/radio", answer_s = {answer_s}',
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
    """A daemon with keying, and the program that keys it through the share. key: the lines of the
    config's output that keys the radio."""

    def __init__(
        self,
        folder: Path,
        radio: Radio,
        driver: str,
        options: str,
        longest_s: float = 60.0,
        program: tuple[str, str] = ("-m", "moontrim"),
        key: str = 'kind = "radio"',
    ) -> None:
        self.radio = radio
        self.program = program
        self.folder = folder
        self.share_port = free_port()
        self.config = folder / "config.toml"
        self.config.write_text(
            station_config(folder, self.share_port, driver, options, OUTPUTS + key, longest_s)
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

    async def key(self, *, by_line: bool = False) -> None:
        """On frequency a moment later than the radio answers, so it is asked for again."""
        async with within(30):
            while await self.ask("T 1") != "RPRT 0":
                await self.ask("T 0")
                await asyncio.sleep(0.1)
            if not by_line:
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
