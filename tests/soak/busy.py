"""A daemon beside programs that take every processor for seconds each minute, as a decoder of a
digital mode does: is a radio lost, a key refused, a dial late?

The daemon (`moontrim run`) drives a simulated radio on a serial line, keyed through the share.
The radio runs at a higher priority where that is allowed, since a real one has a processor of its
own. By hand: `python tests/soak/busy.py --minutes 10`. Exit code 1 if anything was lost or refused.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import re
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from moontrim.clock.system import SystemClock
from moontrim.path import Ephemeris
from peers.test_faults_killed import OFFSET_HZ, SKED_HZ, Ideal, under_the_moon
from support.moontrim_process import ENVIRONMENT
from support.rigctld import free_port

BUSY_S, MINUTE_S = 15.0, 60.0
OVER_S, PAUSE_S = 4.0, 3.0
CONFIG = """
state_dir = "{folder}/state"
[clock]
trust = "any"
[remote]
enabled = false
[share]
port = {port}
[home]
latitude_deg = {home.latitude_deg}
longitude_deg = {home.longitude_deg}
[session]
agreement = "halves"
[radio]
driver = "civ"
options = {{ port = "{folder}/radio", address = 0xA2 }}
[[bands]]
name = "10 GHz"
sked_hz = {sked_hz}
allowed_low_hz = {low_hz}
allowed_high_hz = {high_hz}
transverter_offset_hz = {offset_hz}
drive_ceiling = 0.2
[keying]
enabled = true
[[keying.outputs]]
kind = "simulated"
name = "amplifier"
settle_ms = 100
[[keying.outputs]]
kind = "radio"
"""


class Watch:
    """What the radio did: residuals of the dials while it receives, in hertz."""

    def __init__(self, ideal: Ideal, clock: SystemClock) -> None:
        self.ideal, self.clock = ideal, clock
        self.dials: tuple[int, int] | None = None
        self.transmitting = False
        self.residuals_hz: list[tuple[float, float]] = []

    async def read(self, lines: asyncio.StreamReader) -> None:
        while line := await lines.readline():
            if line.startswith(b"{"):
                now = json.loads(line)
                self.dials = now["rx_dial_hz"], now["tx_dial_hz"]
                self.transmitting = now["transmitting"]

    async def sample(self) -> None:
        while True:
            await self.clock.sleep(0.1)
            if self.dials is not None and not self.transmitting:
                rx_hz, tx_hz = self.ideal.dials_hz(SKED_HZ, self.clock.utc_s())
                self.residuals_hz.append((self.dials[0] - rx_hz, self.dials[1] - tx_hz))


async def start(*arguments: str, **streams: int) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        sys.executable, *arguments, env=ENVIRONMENT, **streams
    )


async def disturb(clock: SystemClock) -> None:
    """Twice as many busy processes as processors, 15 s of each minute."""
    while True:
        count = 2 * (os.cpu_count() or 1)
        busy = [await start("-c", "while True: pass") for _ in range(count)]
        try:
            await clock.sleep(BUSY_S)
        finally:
            for process in busy:
                process.kill()
            await asyncio.gather(*(process.wait() for process in busy))
        await clock.sleep(MINUTE_S - BUSY_S)


async def key(port: int, clock: SystemClock, answers: list[str]) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    while True:
        for command, then_s in (("T 1", OVER_S), ("T 0", PAUSE_S)):
            writer.write(f"{command}\n".encode())
            answers.append(f"{command}: {(await reader.readline()).decode().strip()}")
            await clock.sleep(then_s)


async def run(folder: Path, minutes: float) -> int:
    clock, ephemeris = SystemClock(), Ephemeris.load()
    home, port = under_the_moon(ephemeris), free_port()
    (folder / "config.toml").write_text(
        CONFIG.format(
            folder=folder, port=port, home=home, sked_hz=SKED_HZ, low_hz=SKED_HZ - 100_000,
            high_hz=SKED_HZ + 100_000, offset_hz=OFFSET_HZ,
        )
    )  # fmt: skip
    radio = await start(
        "-m", "moontrim", "simulate", "--bus", "civ", "--link", str(folder / "radio"), "--watch",
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL,
    )  # fmt: skip
    with contextlib.suppress(PermissionError):
        os.setpriority(os.PRIO_PROCESS, radio.pid, -15)
    print(f"priority of the radio: {os.getpriority(os.PRIO_PROCESS, radio.pid)}", flush=True)
    while not (folder / "radio").exists():
        await clock.sleep(0.1)
    with (folder / "log").open("w") as log:
        daemon = await start(
            "-m", "moontrim", "run", "--quiet", "--config", str(folder / "config.toml"),
            stdout=log.fileno(), stderr=log.fileno(),
        )  # fmt: skip
    watch = Watch(Ideal(ephemeris, home), clock)
    assert radio.stdout is not None
    tasks = [asyncio.create_task(watch.read(radio.stdout))]
    answers: list[str] = []
    while "on frequency" not in (folder / "log").read_text():
        await clock.sleep(0.2)
    await clock.sleep(3.0)
    tasks += [
        asyncio.create_task(job)
        for job in (watch.sample(), key(port, clock, answers), disturb(clock))
    ]
    await asyncio.wait(tasks, timeout=60.0 * minutes, return_when=asyncio.FIRST_COMPLETED)
    ended = [task for task in tasks if task.done()]
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    for process in (daemon, radio):
        process.terminate()
        await process.wait()
    return judge((folder / "log").read_text(), answers, watch, minutes) or len(ended)


def judge(log: str, answers: list[str], watch: Watch, minutes: float) -> int:
    lost = re.findall(r".*radio (?:lost|timeout).*", log)
    refused = [answer for answer in answers if not answer.endswith("RPRT 0")]
    ended = re.findall(r".*not transmitting.*", log)
    missed = re.findall(r".*seconds? (?:were |was )?(?:missed|skipped).*", log)
    residuals_hz = np.abs(np.array(watch.residuals_hz))
    for line in (*lost, *refused, *ended, *missed):
        print(line)
    print(
        f"{minutes:g} minutes, load {os.getloadavg()[0]:.1f}: radio lost {len(lost)} times, "
        f"{len(answers)} keyings and unkeyings, {len(refused)} refused, {len(ended)} overs ended "
        f"by the daemon; residual while receiving, rx and tx: "
        f"RMS {np.sqrt((residuals_hz**2).mean(axis=0)).round(2)} Hz, "
        f"99 % {np.quantile(residuals_hz, 0.99, axis=0).round(2)} Hz, "
        f"largest {residuals_hz.max(axis=0).round(2)} Hz"
    )
    return len(lost) + len(refused) + len(ended)


def main() -> int:
    parser = argparse.ArgumentParser(description="Is a radio lost on a busy machine?")
    parser.add_argument("--minutes", type=float, default=10.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        return asyncio.run(run(Path(folder), options.minutes))


if __name__ == "__main__":
    sys.exit(main())
