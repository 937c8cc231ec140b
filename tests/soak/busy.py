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
import os
import re
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from moontrim.clock.system import SystemClock
from moontrim.path import Ephemeris
from support.keyed_station import SKED_HZ, Ideal, Radio, Station, simulated
from support.moonup import under_the_moon

BUSY_S, MINUTE_S = 15.0, 60.0
OVER_S, PAUSE_S = 4.0, 3.0


class Watch:
    """Residuals of the dials while the radio receives, in hertz."""

    def __init__(self, radio: Radio, ideal: Ideal, clock: SystemClock) -> None:
        self.radio, self.ideal, self.clock = radio, ideal, clock
        self.residuals_hz: list[tuple[float, float]] = []

    async def sample(self) -> None:
        while True:
            await self.clock.sleep(0.1)
            if self.radio.dials is not None and not self.radio.keyed.is_set():
                rx_hz, tx_hz = self.ideal.dials_hz(SKED_HZ, self.clock.utc_s())
                rx_dial_hz, tx_dial_hz = self.radio.dials
                self.residuals_hz.append((rx_dial_hz - rx_hz, tx_dial_hz - tx_hz))


async def disturb(clock: SystemClock) -> None:
    """Twice as many busy processes as processors, 15 s of each minute."""
    while True:
        count = 2 * (os.cpu_count() or 1)
        busy = [
            await asyncio.create_subprocess_exec(sys.executable, "-c", "while True: pass")
            for _ in range(count)
        ]
        try:
            await clock.sleep(BUSY_S)
        finally:
            for process in busy:
                process.kill()
            await asyncio.gather(*(process.wait() for process in busy))
        await clock.sleep(MINUTE_S - BUSY_S)


async def key(station: Station, clock: SystemClock, answers: list[str]) -> None:
    while True:
        for command, then_s in (("T 1", OVER_S), ("T 0", PAUSE_S)):
            answers.append(f"{command}: {await station.ask(command)}")
            await clock.sleep(then_s)


async def run(folder: Path, minutes: float) -> int:
    clock = SystemClock()
    answers: list[str] = []
    async with (
        simulated("civ", folder, answer_s=0.25) as (radio, options),
        Station(folder, radio, "civ", options) as station,
    ):
        with contextlib.suppress(PermissionError):
            os.setpriority(os.PRIO_PROCESS, radio.pid, -15)
        print(f"priority of the radio: {os.getpriority(os.PRIO_PROCESS, radio.pid)}", flush=True)
        while "on frequency" not in station.log():
            await clock.sleep(0.2)
        await clock.sleep(3.0)
        watch = Watch(radio, Ideal(Ephemeris.load(), under_the_moon()), clock)
        jobs = watch.sample(), key(station, clock, answers), disturb(clock)
        tasks = [asyncio.create_task(job) for job in jobs]
        await asyncio.wait(tasks, timeout=60.0 * minutes, return_when=asyncio.FIRST_COMPLETED)
        ended = [task for task in tasks if task.done()]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    return judge(station.log(), answers, watch, minutes) or len(ended)


def judge(log: str, answers: list[str], watch: Watch, minutes: float) -> int:
    lost = re.findall(r".*radio: .*; retrying", log)
    refused = [answer for answer in answers if not answer.endswith("RPRT 0")]
    ended = re.findall(r".*TX interlock.*", log)
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
