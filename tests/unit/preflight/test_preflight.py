"""The pre-flight list: what it finds on radios and machines that are not as they should be, and
that it leaves them as they were."""

import shutil
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from moontrim.clock.virtual import VirtualClock
from moontrim.config.clock import ClockSettings
from moontrim.config.keying import KeyingSettings
from moontrim.config.settings import Settings, settings_from
from moontrim.gps.fix import Fix, Position
from moontrim.gps.timecheck import reading_of
from moontrim.path import Ephemeris
from moontrim.preflight.checklist import check
from moontrim.preflight.clock import judge_clock
from moontrim.preflight.finding import Finding
from moontrim.preflight.radio import guard_findings, radio_findings
from moontrim.preflight.surroundings import broker_findings, disk_findings
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim_drivers.contract import RigState
from moontrim_drivers.emergencyunkey import EmergencyUnkey
from moontrim_drivers.simulated.driver import SimulatedDriver
from moontrim_drivers.simulated.radio import SimulatedRadio
from support.rigctld import free_port
from support.stage import T0

LOW = {
    "name": "432 MHz",
    "sked_hz": 432_070_000,
    "tx_low_hz": 432_000_000,
    "tx_high_hz": 433_000_000,
}


def settings(folder: Path, tables: dict[str, Any] | None = None, **habits: Any) -> Settings:
    raw = deepcopy(EMBEDDED) | {"state_dir": str(folder / "state")} | (tables or {})
    raw["bands"] = [*raw["bands"], LOW]
    raw["radio"]["options"] |= habits
    return settings_from(raw, "test")


class Looked(NamedTuple):
    findings: dict[str, Finding]
    radio: SimulatedRadio
    moves: list[tuple[int, int | None]]


@pytest.fixture
def look(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Looked]:
    """Check a radio and say what it went through."""

    def run(
        given: Settings,
        *,
        move_dials: bool = True,
        before: Callable[[SimulatedRadio], None] = str,
        at_move: dict[int, Callable[[SimulatedRadio], None]] | None = None,
    ) -> Looked:
        clock = VirtualClock(T0)
        made: list[SimulatedDriver] = []
        moves: list[tuple[int, int | None]] = []

        class Watched(SimulatedDriver):
            def __init__(self, options: Any, clock: Any) -> None:
                super().__init__(options, clock)
                made.append(self)
                before(self.radio)
                self.radio.on_change = self.moved

            def moved(self, at_s: float, rx_hz: int, tx_hz: int | None, on: bool) -> None:
                moves.append((rx_hz, tx_hz))
                if act := (at_move or {}).get(len(moves)):
                    act(self.radio)

        monkeypatch.setattr("moontrim.preflight.radio.load", lambda name: Watched)
        findings = clock.run(radio_findings(given, clock, move_dials=move_dials))
        return Looked({one.what: one for one in findings}, made[0].radio, moves)

    return run


def test_a_good_radio_obeys_on_every_band_and_stands_where_it_stood(
    look: Callable[..., Looked], tmp_path: Path
) -> None:
    found, radio, moves = look(settings(tmp_path, start_rx_hz=50_200_000, start_tx_hz=50_300_000))
    assert all(one.level == "ok" for one in found.values()), found
    assert "to 1 Hz" in found["10 GHz"].text and "to 1 Hz" in found["432 MHz"].text
    assert {rx_hz // 1_000_000 for rx_hz, _ in moves} >= {144, 432}
    assert radio.rx_dial_hz == 50_200_000 and radio.second_dial_hz == 50_300_000
    assert not radio.transmitting


def test_hands_off(look: Callable[..., Looked], tmp_path: Path) -> None:
    found, _, moves = look(settings(tmp_path, split=False), move_dials=False)
    assert moves == [] and found["dials"].level == "note"


def test_a_transmitting_radio_is_not_moved(look: Callable[..., Looked], tmp_path: Path) -> None:
    found, radio, _ = look(settings(tmp_path), before=lambda radio: radio.key(True))
    assert found["transmit"].level == "fail" and "not moved" in found["dials"].text
    assert radio.rx_dial_hz == 144_100_000


def test_a_radio_that_begins_to_transmit_is_moved_no_more(
    look: Callable[..., Looked], tmp_path: Path
) -> None:
    """Another program's turn to transmit comes in the middle of it."""
    found, radio, moves = look(settings(tmp_path), at_move={4: lambda radio: radio.key(True)})
    assert radio.transmitting and moves[4:] == [moves[3]], "the key, and nothing after it"
    assert found["10 GHz"].level == found["432 MHz"].level == "fail"
    assert "transmit" in found["10 GHz"].text and "transmit" in found["432 MHz"].text
    assert "144 100 000" in found["dials"].text and "left where they are" in found["dials"].text


def test_a_radio_lost_in_mid_trial_is_put_back(look: Callable[..., Looked], tmp_path: Path) -> None:
    habits = {"start_rx_hz": 50_200_000, "start_tx_hz": 50_300_000}
    found, radio, _ = look(settings(tmp_path, **habits), at_move={4: lambda radio: radio.drop()})
    assert found["radio"].level == "fail"
    assert radio.rx_dial_hz == 50_200_000 and radio.second_dial_hz == 50_300_000


def test_a_radio_with_coarse_steps_is_found_out(
    look: Callable[..., Looked], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It steps by 10 Hz and does not say so."""
    rounded = SimulatedRadio._rounded
    monkeypatch.setattr(SimulatedRadio, "_rounded", lambda radio, hz: rounded(radio, hz // 10 * 10))
    found, _, _ = look(settings(tmp_path))
    assert found["10 GHz"].level == "fail" and "dial_resolution_hz" in found["10 GHz"].text


def test_a_dial_that_drags_the_other_along_is_found_out(
    look: Callable[..., Looked], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = SimulatedRadio.state

    def one_for_both(radio: SimulatedRadio) -> RigState:
        state = told(radio)
        return RigState(state.rx_dial_hz, state.rx_dial_hz, state.transmitting)

    monkeypatch.setattr(SimulatedRadio, "state", one_for_both)
    found, _, _ = look(settings(tmp_path))
    assert found["10 GHz"].level == "fail" and "split" in found["10 GHz"].text


def test_a_radio_that_refuses_names_the_band(look: Callable[..., Looked], tmp_path: Path) -> None:
    found, _, _ = look(settings(tmp_path, refuse_every=1))
    assert found["432 MHz"].level == "fail" and "transverter_offset_hz" in found["432 MHz"].text


def test_a_silent_radio_is_given_up(look: Callable[..., Looked], tmp_path: Path) -> None:
    found, _, _ = look(settings(tmp_path, silent=True))
    assert found["radio"].level == "fail"


def test_one_dial_is_a_note(look: Callable[..., Looked], tmp_path: Path) -> None:
    found, _, _ = look(settings(tmp_path, split=False))
    assert found["split"].level == "note"
    assert "the dial reads back" in found["432 MHz"].text


def test_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    given = settings(tmp_path)
    (there,) = disk_findings(given)
    assert there.level == "ok"
    for free_bytes, level in ((1e6, "fail"), (100e6, "note")):
        usage = shutil.disk_usage(tmp_path)._replace(free=int(free_bytes))
        monkeypatch.setattr(shutil, "disk_usage", lambda path, usage=usage: usage)
        (found,) = disk_findings(given)
        assert found.level == level, found
    (tmp_path / "state").touch()  # a file where the folder should be
    (found,) = disk_findings(given)
    assert found.level == "fail" and "state_dir" in found.text


def test_a_broker_that_does_not_answer(tmp_path: Path) -> None:
    remote = {"broker": "127.0.0.1", "port": free_port()}
    clock = VirtualClock(T0)
    (found,) = clock.run(broker_findings(settings(tmp_path, {"remote": remote}), clock))
    assert found.level == "fail" and "127.0.0.1" in found.text


def test_outputs_that_are_not_there(tmp_path: Path, ephemeris: Ephemeris) -> None:
    keying = {
        "enabled": True,
        "outputs": [
            {"kind": "rts", "name": "relay", "port": "/dev/no-such-port", "settle_ms": 100},
            {
                "kind": "gpio",
                "name": "bias",
                "chip": "/dev/gpiochip99",
                "line": 3,
                "settle_ms": 100,
            },
            {"kind": "radio", "release_ms": 20},
        ],
    }
    raw = settings(tmp_path).model_dump(mode="json", exclude_unset=True)
    raw["bands"] = [band | {"drive_ceiling": 0.2} for band in raw["bands"]]
    given = settings_from(raw | {"keying": keying}, "test")
    clock = VirtualClock(T0)
    found = {one.what: one for one in clock.run(check(given, ephemeris, clock))}
    assert found["relay"].level == found["bias"].level == "fail"
    assert "moontrim ports" in found["relay"].text or "not found" in found["relay"].text
    assert found["window"].level == "ok" and "Hz" in found["Earth orientation"].text


def test_tables_that_have_ended_say_how_to_renew_them(tmp_path: Path, ephemeris: Ephemeris) -> None:
    clock = VirtualClock(ephemeris.last_utc_s - 5 * 86400.0)
    found = {one.what: one for one in clock.run(check(settings(tmp_path), ephemeris, clock))}
    assert found["Earth orientation"].level == "note"
    assert "astropy-iers-data" in found["Earth orientation"].text
    clock = VirtualClock(ephemeris.last_utc_s + 86400.0)
    found = {one.what: one for one in clock.run(check(settings(tmp_path), ephemeris, clock))}
    assert found["Earth orientation"].level == "fail"
    assert "earth_orientation_file" in found["Earth orientation"].text


@pytest.mark.parametrize(
    ("later_s", "max_error_ms", "level", "text"),
    [
        (0.3, 500.0, "fail", "more than clock.max_error_ms 500"),
        (0.4, 900.0, "fail", "transmit will be inhibited at times"),
        (0.4, 1200.0, "ok", "(gps"),
    ],
)
def test_bounds_of_a_gps_receiver_that_will_take_keying_away(
    later_s: float, max_error_ms: float, level: str, text: str
) -> None:
    """It is the only source of time: its bound lies between 0.6 and 1.15 s, report by report."""
    position = Position(48.0, 16.0, 200.0, 5.0, "3D")
    reading = reading_of(Fix(position, T0, T0 + later_s), 1.0)
    assert reading is not None
    limits = ClockSettings(max_error_ms=max_error_ms)
    finding = judge_clock(reading, limits, 0.001, keys=True)
    assert (finding.level, text in finding.text) == (level, True), finding


@pytest.mark.parametrize(
    "output",
    [
        {"kind": "rts", "port": "/dev/ttyUSB1"},
        {"kind": "gpio", "chip": "/dev/gpiochip0", "line": 17},
    ],
)
def test_what_releases_a_line_that_keys_the_radio(output: dict[str, Any]) -> None:
    keys = {"name": "ptt", "settle_ms": 0, "keys_radio": True}
    keying = KeyingSettings.model_validate({"enabled": True, "outputs": [output | keys]})
    guard, timer = guard_findings(keying, None)
    assert guard.level == "ok" and "releases ptt 0.5 s after moontrim hangs" in guard.text
    assert "time-out timer" in timer.what


def test_the_guard_and_the_time_out_timer_have_a_line_each() -> None:
    line = {"kind": "simulated", "name": "line", "settle_ms": 0, "keys_radio": True}
    keying, by_line = (
        KeyingSettings.model_validate({"enabled": True, "longest_over_s": 75, "outputs": [output]})
        for output in ({"kind": "radio"}, line)
    )
    guard, timer = guard_findings(keying, EmergencyUnkey(b"RX;", descriptor=3))
    assert (guard.level, timer.level) == ("ok", "note")
    assert "0.5 s after" in guard.text
    assert "time-out timer" in timer.what and "75 s" in timer.text, "what to set it to"
    guard, timer = guard_findings(keying, None)
    assert guard.level == "fail" and "emergency_unkey" in guard.text and timer.level == "note"
    assert guard_findings(by_line, None) == [], "simulated"
    assert guard_findings(KeyingSettings(), None) == []
