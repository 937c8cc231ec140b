"""The verdict on a rehearsal, case by case: what the radio's dials did, and whether that passes.

Two tables. In FIXED the ideal dials do not move (the partner corrects the whole path), so that a
dial's offset is its residual; its step is 10 Hz, so that whole hertz lie just inside and just
outside the limits: RMS 3.2 Hz, largest 6 Hz. In MOVING one ideal dial follows the Moon, in steps of
1 Hz, which the test works out by its own arithmetic."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from moontrim.config.settings import Settings, settings_from
from moontrim.path import Ephemeris, LegName, solve_path
from moontrim.path.vectors import Array
from moontrim.rehearsal.dialrecord import DialRecord
from moontrim.rehearsal.judgement import Result, judge
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.session.session import Session, first_session
from moontrim.state.snapshot import Fault

START = 1_795_014_720.0  # 2026-11-18T15:12:00Z: the Moon is up at both ends
SKED_HZ, OFFSET_HZ = 10_368_100_000, 10_224_000_000
SKED_DIAL_HZ = SKED_HZ - OFFSET_HZ

# One entry of a record: seconds from the start, offsets of both dials from the ideal receive dial
# (transmit None: without split), and whether the radio is keyed.
Entry = tuple[float, int, int | None, bool]
R, K = False, True  # receiving, keyed


def station(agreement: str, **band: object) -> Settings:
    raw = EMBEDDED | {
        "defaults": {"agreement": agreement},
        "bands": [EMBEDDED["bands"][0] | band],
    }
    return settings_from(raw, "test")


def verdict(
    ephemeris: Ephemeris,
    settings: Settings,
    record: DialRecord,
    *,
    duration_s: float = 60.0,
    session: Session | None = None,
    missed: int = 0,
    faults: tuple[Fault, ...] = (),
) -> Result:
    session = session or first_session(settings)
    return judge(
        settings, ephemeris, session, record, START, START + duration_s,
        ticks=60, missed_seconds=missed, faults=faults,
    )  # fmt: skip


@dataclass(frozen=True)
class Case:
    """passes: the verdict expected. judged: the dials of the result. tx_trim_hz: puts the ideal
    transmit dial so far above the ideal receive dial."""

    name: str
    record: tuple[Entry, ...]
    passes: bool
    judged: str = "receive transmit"
    mode: str = "step"
    tx_trim_hz: float = 0.0
    correcting: bool = True
    duration_s: float = 60.0
    missed: int = 0
    faults: tuple[Fault, ...] = ()


def row(name: str, *record: Entry, passes: bool, **rest: object) -> Case:
    """A row of the table."""
    return Case(name, record, passes, **rest)  # type: ignore[arg-type]


FIXED = [
    row("both dials exact", (0, 0, 0, R), passes=True),
    # --- how far off, how long ---
    row("receive off by less than the RMS allowed", (0, 3, 0, R), passes=True),
    row("receive off by more than the RMS allowed", (0, 4, 0, R), passes=False),
    row("off the other way by more than the RMS allowed", (0, -4, 0, R), passes=False),
    row("for a second off by the largest allowed", (0, 0, 0, R), (30, 6, 0, R), (31, 0, 0, R),
        passes=True),
    row("for a second off by more than the largest", (0, 0, 0, R), (30, 7, 0, R), (31, 0, 0, R),
        passes=False),
    row("off for 20 ms between two samples", (0, 0, 0, R), (30.04, 7, 0, R), (30.06, 0, 0, R),
        passes=False),
    row("off only before the time judged", (-9, 70, 70, R), (-1, 0, 0, R), passes=True),
    row("transmit wrong while receive is right", (0, 0, 7, R), passes=False),
    # --- keyed, two dials that step while keyed: every instant counts ---
    row("keyed, both exact", (0, 0, 0, R), (20, 0, 0, K), (50, 0, 0, R), passes=True),
    row("transmit wrong only while keyed", (0, 0, 0, R), (20, 0, 50, K), (50, 0, 0, R),
        passes=False),
    row("receive moved while keyed", (0, 0, 0, R), (20, 0, 0, K), (30, 50, 0, K), (50, 0, 0, R),
        passes=False),
    # --- keyed, two dials that are held while keyed: only receiving counts ---
    row("held: moved while keyed", (0, 0, 0, R), (20, 0, 0, K), (30, 50, 50, K), (50, 0, 0, R),
        mode="hold", passes=True),
    row("held: right again in time", (0, 0, 0, R), (20, 50, 50, K), (50, 50, 50, R),
        (51.4, 0, 0, R), mode="hold", passes=True),
    row("held: right again too late", (0, 0, 0, R), (20, 50, 50, K), (50, 50, 50, R),
        (51.7, 0, 0, R), mode="hold", passes=False),
    row("held: transmit wrong while receiving", (0, 0, 7, R), mode="hold", passes=False),
    # --- one dial for both (no split), the transmit dial 100 Hz above the receive dial ---
    row("one dial, jumps at once", (0, 0, None, R), (20, 100, None, K), (50, 0, None, R),
        tx_trim_hz=100, passes=True),
    row("one dial, jumps in time", (0, 0, None, R), (20, 0, None, K), (21.4, 100, None, K),
        (50, 100, None, R), (51.4, 0, None, R), tx_trim_hz=100, passes=True),
    row("one dial, up too late", (0, 0, None, R), (20, 0, None, K), (21.7, 100, None, K),
        (50, 0, None, R), tx_trim_hz=100, passes=False),
    row("one dial, back too late", (0, 0, None, R), (20, 100, None, K), (50, 100, None, R),
        (51.7, 0, None, R), tx_trim_hz=100, passes=False),
    row("one dial, never jumps", (0, 0, None, R), (20, 0, None, K), (50, 0, None, R),
        tx_trim_hz=100, passes=False),
    row("one dial, on transmit while receiving", (0, 100, None, R), tx_trim_hz=100,
        judged="receive", passes=False),
    row("one dial, never keyed: only receive is judged", (0, 0, None, R), tx_trim_hz=100,
        judged="receive", passes=True),
    row("one dial, held: only receive is judged", (0, 0, None, R), (20, 0, None, K),
        (50, 0, None, R), tx_trim_hz=100, mode="hold", judged="receive", passes=True),
    # --- what is not in the dials ---
    row("no record at all", judged="", passes=False),
    row("correction paused", (0, 0, 0, R), correcting=False, judged="", passes=False),
    row("no time to judge", (0, 0, 0, R), duration_s=0.05, judged="", passes=False),
    row("a second missed", (0, 0, 0, R), missed=1, passes=False),
    row("a fault, dials exact", (0, 0, 0, R), faults=(Fault(START, "lost"),), passes=False),
]  # fmt: skip


@pytest.mark.parametrize("case", FIXED, ids=lambda case: case.name)
def test_dials_that_need_not_move(case: Case, ephemeris: Ephemeris) -> None:
    settings = station("partner", dial_resolution_hz=10, while_transmitting=case.mode)
    session = first_session(settings).with_band_choices(settings, tx_trim_hz=case.tx_trim_hz)
    session = session.model_copy(update={"correcting": case.correcting})
    record = DialRecord()
    for at_s, rx_off_hz, tx_off_hz, keyed in case.record:
        tx_hz = None if tx_off_hz is None else SKED_DIAL_HZ + tx_off_hz
        record.add(START + at_s, SKED_DIAL_HZ + rx_off_hz, tx_hz, keyed)
    result = verdict(
        ephemeris, settings, record, session=session, duration_s=case.duration_s,
        missed=case.missed, faults=case.faults,
    )  # fmt: skip
    assert [dial.name for dial in result.dials] == case.judged.split()
    assert result.passed is case.passes, result.as_json()


# --- an ideal dial that moves ---------------------------------------------------------------------

Steps = list[tuple[float, int]]  # UTC seconds and dial


def perfect(ideal_hz: Callable[[Array], Array], late_hz: float = 0.0) -> Steps:
    """The dial that follows in steps of 1 Hz, each when the ideal is half way between two; late_hz:
    each only when the ideal has moved on by so much more."""
    utc_s = np.arange(START - 5.0, START + 65.0, 0.01)
    ideal = ideal_hz(utc_s)
    behind = ideal - late_hz * np.sign(ideal[-1] - ideal[0])
    dial = np.round(behind).astype(int)
    first = [0, *(np.flatnonzero(np.diff(dial)) + 1)]
    return [(float(utc_s[k]), int(dial[k])) for k in first]


def late_once(steps: Steps, by_s: float) -> Steps:
    at = len(steps) // 2
    return [(t + by_s if k == at else t, hz) for k, (t, hz) in enumerate(steps)]


def left_out(steps: Steps) -> Steps:
    """Without one step: the next is one of 2 Hz."""
    at = len(steps) // 2
    return steps[:at] + steps[at + 1 :]


def stops(steps: Steps) -> Steps:
    return steps[: len(steps) // 2]


def one_off(steps: Steps) -> Steps:
    """From half time on, 1 Hz beside where it ought to be, as after a lost step."""
    at = len(steps) // 2
    return [(t, hz + (k >= at)) for k, (t, hz) in enumerate(steps)]


def backwards(steps: Steps) -> Steps:
    """The wrong sign of the rate: it leaves the right place in the wrong direction."""
    return [(t, 2 * steps[0][1] - hz) for t, hz in steps]


def a_second_late(steps: Steps) -> Steps:
    """As when each second is planned for the one before it."""
    return [(t + 1.0, hz) for t, hz in steps]


MOVING: list[tuple[str, float, Callable[[Steps], Steps], bool]] = [
    # name, lateness of every step in Hz, what else happens, passes
    ("perfect steps", 0.0, list, True),
    ("every step late, just within the limit", 0.09, list, True),
    ("every step late, just beyond the limit", 0.11, list, False),
    ("every step early, just within the limit", -0.09, list, True),
    ("every step early, just beyond the limit", -0.11, list, False),
    ("every step a second late", 0.0, a_second_late, False),
    ("one step late by 50 ms", 0.0, lambda steps: late_once(steps, 0.05), True),
    ("one step late by half a second", 0.0, lambda steps: late_once(steps, 0.5), False),
    ("one step left out", 0.0, left_out, False),
    ("one step wrong, all others right", 0.0, one_off, False),
    ("the dial stops", 0.0, stops, False),
    ("the dial moves backwards", 0.0, backwards, False),
]


def fraction(ephemeris: Ephemeris, settings: Settings, leg: LegName, utc_s: Array) -> Array:
    """Of the exact path every second, and straight between."""
    partner = settings.partner.site()  # type: ignore[union-attr]
    knots_s = np.arange(utc_s[0] - 1.0, utc_s[-1] + 2.0)
    path = solve_path(ephemeris, settings.home.site(), partner, knots_s)
    return np.interp(utc_s, knots_s, path.legs[leg].fraction)


@pytest.mark.parametrize(
    ("name", "late_hz", "change", "passes"), [pytest.param(*one, id=one[0]) for one in MOVING]
)
def test_receive_dial_that_follows(
    name: str,
    late_hz: float,
    change: Callable[[Steps], Steps],
    passes: bool,
    ephemeris: Ephemeris,
) -> None:
    """Agreement `receiver`: the receive dial takes all of the shift, the other stays on sked."""
    settings = station("receiver")

    def ideal_hz(utc_s: Array) -> Array:
        return SKED_DIAL_HZ + SKED_HZ * fraction(ephemeris, settings, "partner_to_home", utc_s)

    record = DialRecord()
    for at_s, rx_hz in change(perfect(ideal_hz, late_hz)):
        record.add(at_s, rx_hz, SKED_DIAL_HZ, False)
    result = verdict(ephemeris, settings, record)
    receive, transmit = result.dials
    assert transmit.max_hz == 0.0
    assert result.passed is passes, result.as_json()
    if name == "perfect steps":
        assert receive.steps > 20 and 0.25 < receive.rms_hz < 0.32 and receive.max_hz < 0.52


@pytest.mark.parametrize(
    ("name", "agreement", "ahead_s", "passes"),
    [
        ("transmit, for the middle of the next over", "transmitter", 30.0, True),
        ("transmit, for now", "transmitter", 0.0, False),
        ("transmit, for the end of the next over", "transmitter", 60.0, False),
        ("receive, for now", "receiver", 0.0, True),
        ("receive, for the middle of the next over", "receiver", 30.0, False),
    ],
)
def test_only_the_transmit_dial_is_half_an_over_ahead(
    name: str, agreement: str, ahead_s: float, passes: bool, ephemeris: Ephemeris
) -> None:
    """A band with `mid_over`: while receiving, the transmit dial is already where it ought to be in
    the middle of an over of 60 s. By the agreement one dial takes all of the shift."""
    settings = station(agreement, while_transmitting="mid_over", over_s=60.0)

    def ideal_hz(utc_s: Array) -> Array:
        if agreement == "receiver":
            shifted = 1.0 + fraction(ephemeris, settings, "partner_to_home", utc_s + ahead_s)
        else:  # what arrives on the sked frequency has to leave this much off it
            shifted = 1.0 / (
                1.0 + fraction(ephemeris, settings, "home_to_partner", utc_s + ahead_s)
            )
        return SKED_HZ * shifted - OFFSET_HZ

    record = DialRecord()
    for at_s, dial_hz in perfect(ideal_hz):
        both_hz = (dial_hz, SKED_DIAL_HZ) if agreement == "receiver" else (SKED_DIAL_HZ, dial_hz)
        record.add(at_s, *both_hz, False)
    result = verdict(ephemeris, settings, record)
    assert result.passed is passes, f"{name}: {result.as_json()}"


def test_the_partner_is_that_of_the_session(ephemeris: Ephemeris) -> None:
    """Steps that are perfect for another partner pass if the operator has chosen that one, and fail
    for the partner of the config."""
    settings = station("receiver")
    raw = EMBEDDED | {"partner": {"locator": "JO62QN00AA"}}
    elsewhere = settings_from(raw, "test")

    def ideal_hz(utc_s: Array) -> Array:
        return SKED_DIAL_HZ + SKED_HZ * fraction(ephemeris, elsewhere, "partner_to_home", utc_s)

    record = DialRecord()
    for at_s, rx_hz in perfect(ideal_hz):
        record.add(at_s, rx_hz, SKED_DIAL_HZ, False)
    chosen = first_session(settings).model_copy(update={"partner": "JO62QN00AA"})
    assert verdict(ephemeris, settings, record, session=chosen).passed
    assert not verdict(ephemeris, settings, record).passed
