"""The judge of rehearsed faults, case by case: when it takes the daemon to be on frequency again,
and how it measures the time until then."""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any, cast

import pytest

from moontrim.clock.virtual import VirtualClock
from moontrim.config.settings import settings_from
from moontrim.path import Ephemeris
from moontrim.rehearsal.faultjudge import FaultJudge, FaultNote, FaultOutcome
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.session.session import first_session
from moontrim.state.snapshot import Tracking

START = 1_795_014_720.0
# The partner corrects the whole path, so that both ideal dials are the sked frequency.
SKED_DIAL_HZ = 10_368_100_000 - 10_224_000_000
STEP_HZ = 10


@dataclass(frozen=True)
class Case:
    """Offsets of the dials from ideal, in Hz at steps of 10 Hz (transmit None: without split), and
    the state that the daemon reports (None: no snapshot yet)."""

    name: str
    rx_off_hz: int
    tx_off_hz: int | None
    on_frequency: bool
    state: Tracking | None = Tracking.ON_FREQUENCY
    mode: str = "step"


CASES = [
    Case("both dials exact", 0, 0, True),
    Case("receive off by one step", 10, 0, True),
    Case("receive off by more than a step", 11, 0, False),
    Case("receive off by more than a step, below", -11, 0, False),
    Case("transmit off by one step", 0, -10, True),
    Case("transmit off by more than a step", 0, 11, False),
    Case("transmit off, but held while keyed", 0, 11, True, mode="hold"),
    Case("no split", 0, None, True),
    Case("no split, off", 11, None, False),
    Case("dials exact, the daemon reports them off", 0, 0, False, Tracking.OFF_FREQUENCY),
    Case("dials exact, the daemon has lost the radio", 0, 0, False, Tracking.NO_CONTACT),
    Case("dials exact, no snapshot yet", 0, 0, False, None),
    Case("the daemon reports on frequency, the dial stays at power-up", -144_000, 0, False),
]


def judge_of(case: Case, clock: VirtualClock, ephemeris: Ephemeris) -> FaultJudge:
    band = EMBEDDED["bands"][0] | {
        "dial_resolution_hz": STEP_HZ,
        "while_transmitting": case.mode,
    }
    raw = EMBEDDED | {"defaults": {"agreement": "partner"}, "bands": [band]}
    settings = settings_from(raw, "test")
    snapshot = case.state and SimpleNamespace(tracking=case.state, band="10 GHz")
    daemon = SimpleNamespace(
        hub=SimpleNamespace(latest=snapshot),
        settings=settings,
        session=first_session(settings),
    )
    tx_hz = None if case.tx_off_hz is None else SKED_DIAL_HZ + case.tx_off_hz
    radio = SimpleNamespace(
        rx_dial_hz=SKED_DIAL_HZ + case.rx_off_hz,
        tx_dial_hz=tx_hz,
        transmitting=False,
        on_change=None,
    )
    return FaultJudge(cast(Any, daemon), cast(Any, radio), clock, ephemeris, say=lambda text: None)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_on_frequency(case: Case, ephemeris: Ephemeris) -> None:
    judge = judge_of(case, VirtualClock(START, math.inf), ephemeris)
    assert judge.on_frequency() is case.on_frequency


@pytest.mark.parametrize(
    ("holds_after_s", "within_s", "expected_s"),
    [(0.0, 5.0, 0.0), (2.0, 5.0, 2.0), (4.9, 5.0, 4.9), (5.5, 5.0, None), (math.inf, 1.0, None)],
)
def test_time_until_a_condition_holds(
    holds_after_s: float, within_s: float, expected_s: float | None, ephemeris: Ephemeris
) -> None:
    clock = VirtualClock(START, math.inf)
    judge = judge_of(CASES[0], clock, ephemeris)
    begun_s = clock.monotonic_s()
    took_s = clock.run(
        judge.until(lambda: clock.monotonic_s() - begun_s >= holds_after_s, within_s)
    )
    assert took_s == (None if expected_s is None else pytest.approx(expected_s, abs=0.1))


@pytest.mark.parametrize(
    ("took_s", "passes"), [(0.0, True), (3.0, True), (3.01, False), (None, False)]
)
def test_in_time(took_s: float | None, passes: bool) -> None:
    outcome = FaultOutcome("unplugged", ("no contact with radio",), took_s, 3.0, "")
    assert outcome.passed is passes and outcome.as_json()["passed"] is passes


def test_a_fault_that_comes_back_fails_after_all(ephemeris: Ephemeris) -> None:
    clock = VirtualClock(START, math.inf)
    judge = judge_of(CASES[0], clock, ephemeris)

    async def overcome() -> None:
        async with judge.fault("unplugged") as note:
            assert isinstance(note, FaultNote)
            note.took_s, note.effect = 1.0, "connected again"

    clock.run(overcome())
    assert judge.outcomes == [FaultOutcome("unplugged", (), 1.0, 3.0, "connected again")]
    judge.fail_last("came back keyed")
    assert judge.outcomes == [FaultOutcome("unplugged", (), None, 3.0, "came back keyed")]
