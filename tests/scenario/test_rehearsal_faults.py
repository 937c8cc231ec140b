"""`moontrim rehearse --faults`: each fault is brought about and got over; and the judge is no
pushover."""

import asyncio
import math
from dataclasses import replace
from pathlib import Path

import pytest

from moontrim.clock.virtual import VirtualClock
from moontrim.config.settings import Settings, load_settings
from moontrim.path import Ephemeris
from moontrim.rehearsal.faultjudge import FaultOutcome
from moontrim.rehearsal.faults import rehearse_faults
from moontrim.rehearsal.rehearsal import embedded_settings, next_window, with_simulated_radio
from moontrim_drivers.contract import RigState
from moontrim_drivers.simulated.radio import SimulatedRadio

CONFIG = Path(__file__).parents[2] / "config"


def outcomes(folder: Path, ephemeris: Ephemeris, settings: Settings) -> list[FaultOutcome]:
    start, end = next_window(ephemeris, settings, 1_795_000_000.0)
    remote = settings.remote.model_copy(update={"enabled": False})
    settings = settings.model_copy(update={"state_dir": folder, "remote": remote})
    return rehearse_faults(settings, ephemeris, (start + end) / 2, pace=math.inf)


def test_every_fault_is_got_over(tmp_path: Path, ephemeris: Ephemeris) -> None:
    seen = outcomes(tmp_path, ephemeris, embedded_settings(keying=True))
    assert len(seen) == 10, "all but the broker, which is not there"
    assert [one for one in seen if not one.passed] == []
    shown = {one.fault: one.states for one in seen}
    assert "no contact with radio" in shown["the radio is unplugged for 3 s"]
    assert "radio rejects commands" in shown["the radio rejects every command for 4 s"]


def test_no_split(tmp_path: Path, ephemeris: Ephemeris) -> None:
    settings = with_simulated_radio(embedded_settings(keying=True), split=False)
    seen = outcomes(tmp_path, ephemeris, settings)
    assert [one for one in seen if not one.passed] == []


def test_a_station_s_own_outputs_are_not_touched(tmp_path: Path, ephemeris: Ephemeris) -> None:
    own = load_settings(CONFIG / "sequenced-10g.toml")
    assert {output.kind for output in own.keying.outputs} - {"simulated", "radio"}
    settings = with_simulated_radio(own)
    assert {output.kind for output in settings.keying.outputs} <= {"simulated", "radio"}
    assert settings.keying.inputs == () and settings.radio.driver == "simulated"
    seen = outcomes(tmp_path, ephemeris, settings)
    assert [one for one in seen if not one.passed] == []


def test_the_judge_looks_at_the_radio(
    tmp_path: Path, ephemeris: Ephemeris, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that shows 40 Hz less than where it is deceives the daemon, but not the judge."""
    told = SimulatedRadio.state

    def deceive(radio: SimulatedRadio) -> RigState:
        state = told(radio)
        return replace(state, rx_dial_hz=state.rx_dial_hz - 40)

    monkeypatch.setattr(SimulatedRadio, "state", deceive)
    seen = outcomes(tmp_path, ephemeris, embedded_settings())
    failed = [one.fault for one in seen if not one.passed]
    assert len(failed) >= 3, failed


def test_stopped_early_it_still_says_what_it_saw(tmp_path: Path, ephemeris: Ephemeris) -> None:
    settings = embedded_settings().model_copy(update={"state_dir": tmp_path})
    settings = settings.model_copy(
        update={"remote": settings.remote.model_copy(update={"enabled": False})}
    )

    async def stop_soon(daemon: object) -> None:
        clock = daemon.clock  # type: ignore[attr-defined]
        assert isinstance(clock, VirtualClock)
        await clock.sleep(12.0)
        daemon.stop.set()  # type: ignore[attr-defined]
        await asyncio.sleep(0)

    seen = rehearse_faults(
        settings, ephemeris, 1_795_020_000.0, pace=math.inf, companions=(stop_soon,)
    )
    assert 1 <= len(seen) < 8
