"""`moontrim run` over civ at 19200 baud against `moontrim simulate` on a pseudo-terminal, each in a
process of its own, for half a minute of real time at 10.368 GHz and the fastest Doppler rate there
is. The radio itself records when its dial moved; the exact path solution judges it."""

from __future__ import annotations

import asyncio
import json
import time
from pathlib import Path

import numpy as np
import pytest

from moontrim.path import Ephemeris, Site, solve_path
from support.moontrim_process import moontrim, next_line
from support.moonup import under_the_moon
from support.sentry import Sentry

pytestmark = [pytest.mark.peers, pytest.mark.alone, pytest.mark.long]

WATCHED_S = 30.0
LARGEST_HZ = 0.7
SKED_HZ, OFFSET_HZ = 10_368_100_000, 10_224_000_000


def config(folder: Path, home: Site, port: Path, options: str) -> Path:
    path = folder / "station.toml"
    path.write_text(f"""
state_dir = "{folder / "state"}"
[remote]
enabled = false
[home]
latitude_deg = {home.latitude_deg}
longitude_deg = {home.longitude_deg}
[defaults]
agreement = "receiver"
[radio]
driver = "civ"
options = {{ port = "{port}", {options} }}
[[bands]]
name = "band"
sked_hz = {SKED_HZ}
tx_low_hz = {SKED_HZ - 1_000_000}
tx_high_hz = {SKED_HZ + 1_000_000}
transverter_offset_hz = {OFFSET_HZ}
""")
    return path


def test_residual_over_civ_at_19200_baud(ephemeris: Ephemeris, tmp_path: Path) -> None:
    home = under_the_moon()
    link = tmp_path / "radio"
    settings = config(tmp_path, home, link, "address = 0xA2, baud = 19200")
    changes: list[dict[str, float]] = []
    sentry = Sentry()

    async def main() -> None:
        radio = moontrim("simulate", "--bus", "civ", "--link", str(link), "--watch")
        async with radio as simulated:
            while not link.exists():
                await asyncio.sleep(0.05)

            async def watch() -> None:
                while line := await next_line(simulated):
                    if line.startswith("{"):
                        changes.append(json.loads(line))

            beside = [asyncio.create_task(one()) for one in (watch, sentry.watch)]
            async with moontrim("run", "--config", str(settings), "--quiet") as daemon:
                sentry.processes += [simulated.pid, daemon.pid]
                await asyncio.sleep(6.0 + WATCHED_S)
                ended.append(time.time())
            for task in beside:
                task.cancel()

    ended: list[float] = []
    asyncio.run(main())
    end = ended[0] - 0.5
    start = end - WATCHED_S
    moved_utc_s = np.array([change["utc_s"] for change in changes])
    dial_hz = np.array([change["rx_dial_hz"] for change in changes])
    inside = (moved_utc_s > start) & (moved_utc_s < end)
    assert inside.sum() > WATCHED_S, "at more than 1 Hz/s there are that many steps"
    steps_utc_s = moved_utc_s[inside]
    utc_s = np.sort(
        np.concatenate([np.arange(start, end, 0.05), steps_utc_s - 1e-5, steps_utc_s + 1e-5])
    )
    stood_hz = dial_hz[np.searchsorted(moved_utc_s, utc_s, side="right") - 1]
    echo = solve_path(ephemeris, home, None, utc_s).legs["home_to_home"].fraction
    residual_hz = stood_hz - (SKED_HZ * (1 + echo) - OFFSET_HZ)
    ran = sentry.ran(utc_s)
    even = np.arange(start, end, 0.05)
    rms_hz = float(np.sqrt(np.mean(np.interp(even, utc_s, residual_hz) ** 2)))
    largest_hz = float(np.abs(residual_hz[ran]).max())
    print(f"{inside.sum()} steps, RMS {rms_hz:.3f} Hz, largest {largest_hz:.3f} Hz", end="; ")
    print(f"{len(sentry.stalls)} stalls, largest among all {np.abs(residual_hz).max():.3f} Hz")
    assert not any(change["transmitting"] for change in changes)
    assert largest_hz <= LARGEST_HZ
