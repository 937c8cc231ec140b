"""What a session's seconds add up to, counted by hand here; and the path solved once more."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from moontrim.config.settings import Settings, settings_from
from moontrim.errors import InputError
from moontrim.journal.readonly import open_journal
from moontrim.path import Ephemeris
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.report.facts import Spell, facts_of
from moontrim.report.recorded import Recorded, read_session
from moontrim.report.report import SessionReport, report_of
from moontrim.report.sessions import list_sessions
from moontrim.session.commands import Correct, SetAgreement, SetPartner, SetTrim
from moontrim.session.session import first_session
from moontrim.session.skeds import ChooseSked
from moontrim.state.snapshot import Tracking
from moontrim.tuning.correction import ECHO_AGREEMENTS
from support.recorded import T0, Made, change, make_journal

# What the journal keeps of a dial, and rounding of it.
KEPT_HZ = 0.0001


def settings(**band: object) -> Settings:
    raw = EMBEDDED | {"bands": [EMBEDDED["bands"][0] | band]}
    return settings_from(raw, "test")


def read(path: Path, session_id: int | None = None) -> Recorded:
    conn = open_journal(path)
    try:
        return read_session(conn, session_id)
    finally:
        conn.close()


def reported(path: Path, ephemeris: Ephemeris, now_utc_s: float = T0 + 1e6) -> SessionReport:
    return report_of(read(path), ephemeris, now_utc_s)


# --- adding up ------------------------------------------------------------------------------------


def test_seconds_states_and_gaps(tmp_path: Path, ephemeris: Ephemeris) -> None:
    made = Made(
        1000,
        missing=lambda k: k in (100, 500, 501, 502),
        lost=lambda k: 200 <= k < 230 or k == 900,
        faults=[
            (199.7, 229.7, "tracking:no contact with radio", "no answer"),
            (300.2, 300.2, "event", "TX interlock: too hot"),
            (899.7, None, "tracking:no contact with radio", "no answer"),
        ],
    )
    facts = facts_of(read(make_journal(tmp_path, ephemeris, made)))
    assert (facts.expected, facts.recorded, facts.missed) == (1000, 996, 4)
    assert facts.gaps == (Spell(T0 + 100, T0 + 101), Spell(T0 + 500, T0 + 503))
    assert facts.on_frequency == 996 - 31
    assert facts.on_frequency_share == 0.965, "a second without a record is not on frequency"
    on, lost = facts.states
    assert (on.name, on.seconds, on.share) == ("on frequency", 965, 0.965)
    assert on.longest == Spell(T0 + 503, T0 + 900)
    assert (lost.name, lost.seconds, lost.longest) == (
        "no contact with radio",
        31,
        Spell(T0 + 200, T0 + 230),
    )
    first, event, lasting = facts.faults
    assert (first.duration_s, first.after) == (30.0, "on frequency")
    assert first.recovered_s == pytest.approx(30.0)
    assert (event.duration_s, event.after) == (0.0, "on frequency")
    assert event.recovered_s == pytest.approx(0.5), "the next row holds for 300.7"
    assert (lasting.duration_s, lasting.after, lasting.recovered_s) == (
        None,
        "the record ends",
        None,
    )


def test_residuals_are_those_of_a_rounded_number(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """Step / sqrt(12) for a number rounded to whole steps: JCGM 100:2008 (GUM), 4.3.7."""
    for step_hz in (1, 10):
        folder = tmp_path / str(step_hz)
        made = Made(2000, settings(dial_resolution_hz=step_hz))
        facts = facts_of(read(make_journal(folder, ephemeris, made)))
        for dial in facts.dials:
            residuals = dial.on_frequency
            assert residuals is not None
            assert dial.step_hz == step_hz
            assert residuals.seconds == 2000
            assert residuals.rms_hz == pytest.approx(step_hz / math.sqrt(12.0), rel=0.03)
            assert 0.49 * step_hz < residuals.max_hz <= 0.5 * step_hz + KEPT_HZ
            assert residuals.p95_hz == pytest.approx(0.475 * step_hz, rel=0.03)
            assert residuals.within_share == 1.0
            assert (dial.held_keyed, dial.otherwise) == (None, None)


def test_one_bad_second_is_found_and_dated(tmp_path: Path, ephemeris: Ephemeris) -> None:
    made = Made(600, off_hz=lambda k: 7 if k == 123 else 0)
    receive, transmit = facts_of(read(make_journal(tmp_path, ephemeris, made))).dials
    assert receive.on_frequency is not None and transmit.on_frequency is not None
    assert 6.5 <= receive.on_frequency.max_hz <= 7.5
    assert receive.on_frequency.max_at_utc_s == T0 + 123
    assert receive.on_frequency.within_share == pytest.approx(599 / 600)
    assert transmit.on_frequency.max_hz <= 0.5 + KEPT_HZ


def test_overs_and_where_the_dial_was(tmp_path: Path, ephemeris: Ephemeris) -> None:
    made = Made(300, keyed=lambda k: 60 <= k < 111 or k == 200, missing=lambda k: k == 80)
    recorded = read(make_journal(tmp_path, ephemeris, made))
    overs = facts_of(recorded).overs
    assert [over.spell for over in overs] == [
        Spell(T0 + 60, T0 + 80),
        Spell(T0 + 81, T0 + 111),
        Spell(T0 + 200, T0 + 201),
    ]
    s = recorded.seconds
    for over in overs:
        for utc_s, dial_hz, residual_hz in (
            (over.spell.from_utc_s, over.dial_hz[0], over.residual_hz[0]),
            (over.spell.to_utc_s - 1, over.dial_hz[1], over.residual_hz[1]),
        ):
            (row,) = np.flatnonzero(s.utc_s == utc_s)
            assert (dial_hz, residual_hz) == (s.tx_dial_hz[row], s.tx_residual_hz[row])


def test_stretches_follow_the_choices(tmp_path: Path, ephemeris: Ephemeris) -> None:
    station = settings()
    first = first_session(station)
    paused = Correct("x", on=False).apply(first, station)
    made = Made(300, station, choices=[(0, first), (100, paused), (160, first)])
    facts = facts_of(read(make_journal(tmp_path, ephemeris, made)))
    assert [(s.spell.seconds, s.on_frequency, s.context.correcting) for s in facts.stretches] == [
        (100, 100, True),
        (60, 0, False),
        (140, 140, True),
    ]
    for dial in facts.dials:
        assert dial.on_frequency is not None
        assert dial.on_frequency.seconds == 240
        assert dial.otherwise is None, "paused, a dial is the operator's"


def test_a_single_second_and_a_lost_radio(tmp_path: Path, ephemeris: Ephemeris) -> None:
    one = reported(make_journal(tmp_path / "one", ephemeris, Made(1)), ephemeris)
    assert (one.facts.expected, one.facts.missed) == (1, 0)
    assert one.difference is not None and one.difference.instants == 1
    lost = reported(
        make_journal(tmp_path / "lost", ephemeris, Made(60, lost=lambda k: True)), ephemeris
    )
    assert [dial.on_frequency for dial in lost.facts.dials] == [None, None]
    assert lost.facts.on_frequency == 0
    assert lost.difference is not None, "the ideal dial is known all the same"
    text = " ".join(lost.verdict)
    assert "On frequency for 0 of 60 s (0.00 %)." in text
    assert "No dial was read back" in text


def test_start_up_is_no_fault(tmp_path: Path, ephemeris: Ephemeris) -> None:
    path = make_journal(tmp_path, ephemeris, Made(60))
    change(
        path,
        "UPDATE seconds_raw SET tracking = (SELECT code FROM names WHERE kind = 'tracking' "
        f"AND text = '{Tracking.STARTING}') WHERE utc_s = {T0}",
    )
    text = " ".join(reported(path, ephemeris).verdict)
    assert "On frequency for 59 of 60 s (98.33 %). Start-up: 1 s. " in text
    assert "Not as intended" not in text


@pytest.mark.parametrize(
    ("ended", "now_utc_s", "says"),
    [
        (True, T0 + 10, "ended 2026-11-18T15:13:00Z"),
        (False, T0 + 61, "still running"),
        (False, T0 + 1000, "no end recorded; the last second is 2026-11-18T15:12:59Z"),
    ],
)
def test_how_it_ended(
    tmp_path: Path, ephemeris: Ephemeris, ended: bool, now_utc_s: float, says: str
) -> None:
    path = make_journal(tmp_path, ephemeris, Made(60, ended=ended))
    assert reported(path, ephemeris, now_utc_s).ending.startswith(says)


def test_the_list(tmp_path: Path, ephemeris: Ephemeris) -> None:
    path = make_journal(
        tmp_path,
        ephemeris,
        Made(100, missing=lambda k: k == 50),
        Made(0, start_utc_s=T0 + 1000),
        Made(60, start_utc_s=T0 + 2000, lost=lambda k: k < 15, ended=False),
    )
    conn = open_journal(path)
    first, nothing, last = list_sessions(conn)
    conn.close()
    assert (first.id, first.duration_s, first.on_frequency_s, first.bands) == (
        1,
        100,
        99,
        ("10 GHz",),
    )
    assert (nothing.duration_s, nothing.on_frequency_s) == (0, 0)
    assert (last.duration_s, last.on_frequency_s, last.ended_utc_s) == (60, 45, None)
    assert read(path, 1).id == 1
    assert read(path).id == 3
    with pytest.raises(InputError, match="SESSION: no second recorded in session 2"):
        read(path, 2)
    with pytest.raises(InputError, match="SESSION: invalid value 9"):
        read(path, 9)


# --- solving the path once more -------------------------------------------------------------------


def test_recomputed_dials_are_the_recorded_ones(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """Every agreement, another partner, trims, own echo, both senses of a transverter: the rows
    come from the daemon's own prediction (a fit), the report's from the exact path."""
    station = settings(
        while_transmitting="mid_over",
        tx_sked_hz=10_368_200_000,
        transverter_sense="minus",
        transverter_offset_hz=10_512_000_000,
        dial_error_hz=37.5,
        reference_error_ppb=12.0,
    )
    session = first_session(station)
    choices = []
    for k, agreement in enumerate(("halves", "receiver", "transmitter", "home", "partner")):
        session = SetAgreement("x", agreement).apply(session, station)
        choices.append((100 * k, session))
    session = SetTrim("x", rx_hz=250.0, tx_hz=-31.5).apply(choices[0][1], station)
    choices.append((500, session))
    choices.append((600, SetPartner("x", "self").apply(session, station)))
    choices.append((700, SetPartner("x", "-33.9,151.2,20").apply(session, station)))
    made = Made(800, station, choices=choices, keyed=lambda k: k % 120 < 51)
    report = reported(make_journal(tmp_path, ephemeris, made), ephemeris)
    difference = report.difference
    assert difference is not None
    assert report.again.problem == ""
    # Left out: two seconds beside each of 7 choices and of 13 changes of the key.
    assert 740 <= difference.instants < 800
    assert difference.max_hz < 0.0005, "0.0001 kept, and what the daemon's fit costs"


NAMED = {
    "partners": [{"name": "North", "locator": "KP20NF", "height_m": 8000.0}],
    "skeds": [
        {
            "name": "north",
            "band": "10 GHz",
            "sked_hz": 10_368_120_000,
            "tx_sked_hz": 10_368_150_000,
            "partner": "north",
            "over_s": 300.0,
        }
    ],
}


def test_a_sked_with_a_partner_by_name_is_recomputed(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """With the partner's height, which a locator has not, the transmit frequency, and the over."""
    band = EMBEDDED["bands"][0] | {"while_transmitting": "mid_over"}
    station = settings_from(EMBEDDED | {"bands": [band]} | NAMED, "test")
    first = first_session(station)
    chosen = ChooseSked("x", "NORTH").apply(first, station)
    made = Made(400, station, choices=[(0, first), (200, chosen)])
    path = make_journal(tmp_path, ephemeris, made)
    report = reported(path, ephemeris)
    assert report.again.problem == "" and report.difference is not None
    assert report.difference.max_hz < 0.0005
    before, after = (period.context for period in report.facts.stretches)
    assert (before.sked, before.over_s) == ("", 60.0)
    assert (after.sked, after.partner, after.over_s) == ("north", "North", 300.0)
    assert (after.sked_hz, after.tx_sked_hz) == (10_368_120_000, 10_368_150_000)
    for what, statement in (
        ("over", "UPDATE contexts SET over_s = 60.0"),
        ("height", "UPDATE sessions SET station_json = replace(station_json, '8000.0', '0.0')"),
    ):
        change(path, statement)
        report = reported(path, ephemeris)
        assert report.difference is not None and report.difference.max_hz > 0.01, what
    change(path, "UPDATE sessions SET station_json = replace(station_json, 'North', 'South')")
    assert "partner: invalid value 'North'" in reported(path, ephemeris).again.problem


@pytest.mark.parametrize("agreement", ECHO_AGREEMENTS)
@pytest.mark.parametrize("mode", ["hold", "mid_over"])
def test_an_own_echo_is_held_against_what_was_sent(
    tmp_path: Path, ephemeris: Ephemeris, mode: str, agreement: str
) -> None:
    """A receive dial on the echo of what the transmit dial sent agrees; one that follows what ought
    to have been sent does not."""
    station = settings(while_transmitting=mode)
    session = SetAgreement("x", agreement).apply(first_session(station), station)
    session = SetPartner("x", "self").apply(session, station)
    made = Made(400, station, choices=[(0, session)], keyed=lambda k: k % 120 < 51)
    path = make_journal(tmp_path, ephemeris, made)
    difference = reported(path, ephemeris).difference
    assert difference is not None and difference.instants > 350
    assert difference.max_hz < 0.0005
    # The transmit dial was elsewhere in an over: so was the echo, and the receive dial was not.
    change(path, "UPDATE seconds_raw SET tx_dial_hz = 144100500 WHERE transmitting = 1")
    sent_elsewhere = reported(path, ephemeris)
    known = np.isfinite(sent_elsewhere.again.rx_ideal_hz)
    off_hz = np.abs(
        sent_elsewhere.recorded.seconds.rx_ideal_hz[sent_elsewhere.again.row]
        - sent_elsewhere.again.rx_ideal_hz
    )
    assert known.sum() > 350 and (off_hz[known] > 1.0).sum() > 100


def test_a_long_session_is_thinned(tmp_path: Path, ephemeris: Ephemeris) -> None:
    path = make_journal(tmp_path, ephemeris, Made(4000))
    report = reported(path, ephemeris)
    assert report.difference is not None
    assert report.difference.instants == 2000, "at most 3600: every second one"


@pytest.mark.parametrize(
    ("what", "statement"),
    [
        ("a dial", "UPDATE seconds_raw SET rx_ideal_e4 = rx_ideal_e4 + 200 WHERE utc_s % 60 = 30"),
        ("an instant", "UPDATE seconds_raw SET at_us = at_us + 100000"),
        ("a trim", "UPDATE contexts SET tx_trim_hz = tx_trim_hz + 0.02"),
        ("the partner", "UPDATE contexts SET partner = 'self'"),
        ("the height", "UPDATE sessions SET station_json = replace(station_json, '1400', '1420')"),
        ("refraction", "UPDATE sessions SET station_json = replace(station_json, 'true', 'false')"),
    ],
)
def test_what_does_not_belong_to_the_path_shows(
    tmp_path: Path, ephemeris: Ephemeris, what: str, statement: str
) -> None:
    path = make_journal(tmp_path, ephemeris, Made(600))
    change(path, statement)
    report = reported(path, ephemeris)
    difference = report.difference
    assert difference is not None
    assert difference.max_hz > 0.01, what
    assert ("too much" in " ".join(report.verdict)) is (difference.max_hz > 0.05)


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("UPDATE sessions SET station_json = '{}'", "'home' not in the journal"),
        ("UPDATE sessions SET station_json = 'not json'", "'home' not in the journal"),
        ("UPDATE sessions SET station_json = '[[[1]]]'", "'home' not in the journal"),
        ("UPDATE contexts SET band = 'other'", "'other' not in the journal"),
        ("UPDATE contexts SET agreement = 'none'", "'agreement none' not in the journal"),
        ("UPDATE contexts SET partner = 'nowhere'", "partner: invalid value 'nowhere'"),
        ("UPDATE seconds_raw SET utc_s = utc_s + 1000000000", "outside the tables"),
        ("DELETE FROM contexts", "1 not in the journal"),
    ],
)
def test_what_cannot_be_recomputed_is_said(
    tmp_path: Path, ephemeris: Ephemeris, statement: str, says: str
) -> None:
    path = make_journal(tmp_path, ephemeris, Made(60))
    change(path, statement)
    report = reported(path, ephemeris)
    assert says in report.again.problem
    assert report.difference is None
    assert "could not be recomputed" in report.verdict[-1]
    assert report.facts.on_frequency == 60


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE seconds_raw SET rx_dial_hz = 'x'",
        "UPDATE sessions SET began_utc_s = 'x'",
        "UPDATE contexts SET sked_hz = 'x'",
        "UPDATE faults SET from_utc_s = 'x'",
        "DROP TABLE names",
        "DROP VIEW seconds",
    ],
)
def test_a_damaged_journal_is_one_line(
    tmp_path: Path, ephemeris: Ephemeris, statement: str
) -> None:
    made = Made(10, faults=[(1.0, 2.0, "event", "x")])
    path = make_journal(tmp_path, ephemeris, made)
    change(path, statement)
    with pytest.raises(InputError, match=r"journal: damaged \("):
        reported(path, ephemeris)
