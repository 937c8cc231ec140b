"""Own echoes with the whole daemon: wherever the transmit dial is held, stepped or trimmed, the
receive dial is where what was really sent comes back.

The oracle takes nothing from the daemon: it has the instants at which the simulated radio's dials
moved, and the exact path with its delay."""

from __future__ import annotations

import math
from copy import deepcopy
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from moontrim.app.daemon import Daemon
from moontrim.clock.virtual import VirtualClock
from moontrim.config.settings import settings_from
from moontrim.path import Ephemeris, solve_path
from moontrim.rehearsal.dialrecord import DialRecord
from moontrim.rehearsal.rehearsal import EMBEDDED, rehearse
from moontrim.session.commands import SetTrim
from moontrim.tuning.correction import ECHO_AGREEMENTS
from moontrim_drivers.simulated.driver import SimulatedDriver, SimulatedOptions
from support.effort import cases

START = 1_796_116_042.0  # the Moon is up; at 10.368 GHz Doppler is -16.9 kHz and -1.6 Hz/s
OFFSETS_HZ = {10368: 10_224_000_000, 24048: 23_904_000_000}
KEYED_S, EVERY_S = 51.0, 60.0


def station(tmp_path: Path, mhz: int, agreement: str, mode: str, **band: Any) -> dict[str, Any]:
    offset_hz = OFFSETS_HZ[mhz]
    low_hz = offset_hz + 144_000_000
    made = EMBEDDED["bands"][0] | {
        "sked_hz": low_hz + 100_000,
        "tx_low_hz": low_hz,
        "tx_high_hz": low_hz + 2_000_000,
        "transverter_offset_hz": offset_hz,
        "while_transmitting": mode,
    }
    return deepcopy(EMBEDDED) | {
        "bands": [made | band],
        "partner": "self",
        "defaults": {"agreement": agreement},
        "state_dir": str(tmp_path),
    }


def residuals(raw: dict[str, Any], ephemeris: Ephemeris, trims: tuple[float, float]) -> Any:
    """Receive dial minus where the echo of what was sent is, at instants at which one comes back
    and the dial may move: not under RF on a band that holds it, nor half a second after the key."""
    settings = settings_from(raw, "test")
    clock, record = VirtualClock(START, math.inf), DialRecord()
    band = settings.bands[0]

    async def run() -> None:
        driver = SimulatedDriver(SimulatedOptions.model_validate(settings.radio.options), clock)
        radio = driver.radio

        def changed(monotonic_s: float, rx_hz: int, tx_hz: int | None, keyed: bool) -> None:
            record.add(clock.utc_s() - clock.monotonic_s() + monotonic_s, rx_hz, tx_hz, keyed)

        radio.on_change = changed
        changed(clock.monotonic_s(), radio.rx_dial_hz, radio.tx_dial_hz, False)

        async def operator(daemon: Daemon) -> None:
            await daemon.ask(SetTrim("test", *trims))
            for _ in range(3):
                next_s = math.floor(clock.utc_s() / EVERY_S + 1) * EVERY_S
                await clock.sleep_until_utc(next_s)
                radio.key(True)
                await clock.sleep(KEYED_S)
                radio.key(False)
            await clock.sleep(5.0)
            daemon.stop.set()

        await Daemon(settings, clock, ephemeris, driver, seed=1).run(operator)

    clock.run(run())
    at_s = np.arange(START + 5.0, record.utc_s[-1] + 4.0, 0.02)
    leg = solve_path(ephemeris, settings.home.site(), None, at_s).legs["partner_to_home"]
    now, left = record.index(at_s), record.index(at_s - leg.delay_s)
    keyed = np.array(record.keyed)
    sent_dial_hz = np.array(record.tx_hz if record.split else record.rx_hz)[left]
    echo_hz = band.tx_band().on_air_hz(sent_dial_hz) * (1.0 + leg.fraction) + trims[0]
    off_hz = band.band().on_air_hz(np.array(record.rx_hz)[now]) - echo_hz
    # A press is noticed up to half a second later, and so is a step while it lasts.
    may_move = record.settled(at_s + 0.9, keyed=False)
    if band.while_transmitting == "step" and record.split:
        may_move |= keyed[now]
    noticed = (at_s - leg.delay_s) - record.turns_utc_s()[left] > 0.6
    return off_hz[keyed[left] & may_move & noticed]


@pytest.mark.parametrize("agreement", ECHO_AGREEMENTS)
@pytest.mark.parametrize("mode", ["step", "hold", "mid_over"])
@pytest.mark.parametrize("mhz", cases(10368, 24048))
def test_the_receiver_is_on_the_echo_of_what_was_sent(
    tmp_path: Path, ephemeris: Ephemeris, mhz: int, mode: str, agreement: str
) -> None:
    off_hz = residuals(station(tmp_path, mhz, agreement, mode), ephemeris, (0.0, 0.0))
    assert off_hz.size > (2000 if mode == "step" else 100)
    # The floor of a dial of 1 Hz is 1 / sqrt(12); its largest residual is half a step, and one more
    # for the milliseconds that a radio takes to follow a step of the other dial.
    assert np.sqrt(np.mean(off_hz**2)) < 0.31
    assert np.abs(off_hz).max() < (1.6 if mode == "step" else 0.6)
    assert np.mean(np.abs(off_hz) > 0.6) < 0.03


@pytest.mark.parametrize("split", [True, False])
@pytest.mark.parametrize("mode", ["hold", "mid_over"])
def test_trims_split_segments_and_one_dial(
    tmp_path: Path, ephemeris: Ephemeris, mode: str, split: bool
) -> None:
    """Trimmed up by 40 Hz and received 12 Hz above the echo, 300 kHz from where a partner would
    be listened for; with one dial, where the transmitter was when it was keyed by hand."""
    raw = station(tmp_path, 10368, "halves", mode, tx_sked_hz=10_368_400_000)
    raw["radio"]["options"]["split"] = split
    off_hz = residuals(raw, ephemeris, (12.0, 40.0))
    assert off_hz.size > 100
    assert np.sqrt(np.mean(off_hz**2)) < 0.32
    assert np.abs(off_hz).max() < 0.7


@pytest.mark.parametrize("agreement", ECHO_AGREEMENTS)
@pytest.mark.parametrize("mode", ["step", "hold", "mid_over"])
def test_the_rehearsal_holds_it_against_that_as_well(
    tmp_path: Path, ephemeris: Ephemeris, mode: str, agreement: str
) -> None:
    raw = station(tmp_path, 10368, agreement, mode)
    settings = settings_from(raw, "test")
    result = rehearse(settings, ephemeris, START, START + 400.0, pace=math.inf)
    assert result.passed, result.as_json()
    receive = result.dials[0]
    assert receive.rms_hz < 0.32 and np.isfinite(receive.residual_hz).sum() > 1000
