"""The steps that dials are still to take, without a radio."""

from __future__ import annotations

import math

from moontrim.rig.pendingsteps import TOGETHER_S, DialSteps
from moontrim.tuning.steps import DialName, Plan, Ramp, Step

T0 = 1_795_000_000.0
FLAT = Ramp(T0, 144_100_000.0, 0.0)


def plan(start_utc_s: float, *steps: tuple[float, DialName, int]) -> Plan:
    """Of one second; steps: how long after T0, which dial, where to."""
    made = tuple(Step(T0 + after_s, which, dial_hz) for after_s, which, dial_hz in steps)
    return Plan(start_utc_s, start_utc_s + 1.0, FLAT, FLAT, True, "rx", 1, made, {}, False)


def test_steps_of_the_plan_before_stay_until_the_new_one_begins() -> None:
    before = plan(T0, (0.0, "rx", 100), (0.5, "rx", 101), (1.5, "rx", 102))
    after = plan(T0 + 1.0, (1.0, "rx", 201))
    own = DialSteps()
    own.put(before, at_once=False)
    own.put(after, at_once=False)
    assert own.take(T0 + 0.6) == {"rx": 101}, "of several the newest counts"
    assert own.next_utc_s == T0 + 1.0
    assert own.take(T0 + 2.0) == {"rx": 201}
    assert not own and own.next_utc_s == math.inf

    own.put(before, at_once=False)
    own.put(after, at_once=True)
    assert own.next_utc_s == T0 + 1.0, "at once, they go"


def test_what_stands_already_needs_no_set() -> None:
    own = DialSteps()
    own.standing.update(rx=100, tx=50)
    own.put(plan(T0, (0.0, "rx", 100), (0.0, "tx", 50)), at_once=False)
    assert own and own.settled and not own.overdue(T0 + 1.0)
    assert own.take(T0) == {}

    own.put(plan(T0, (0.0, "rx", 100), (0.0, "tx", 51), (0.5, "rx", 101)), at_once=False)
    assert not own.settled
    assert own.drop_taken() and own.next_utc_s == T0
    assert not own.drop_taken(), "the first that leads elsewhere stays, and all behind it"
    assert not own.overdue(T0 - 0.1) and own.overdue(T0)
    assert own.take(T0) == {"tx": 51}


def test_a_dial_of_which_nothing_is_known_is_to_be_set() -> None:
    own = DialSteps()
    own.standing.update(rx=100)
    own.put(plan(T0, (0.0, "rx", 100)), at_once=False)
    own.forget()
    assert not own and own.settled, "where it was to go is forgotten as well"
    own.put(plan(T0, (0.0, "rx", 100)), at_once=False)
    assert not own.settled and own.take(T0) == {"rx": 100}


def test_steps_that_are_close_share_a_command() -> None:
    own = DialSteps()
    own.put(plan(T0, (0.0, "rx", 100), (TOGETHER_S, "tx", 50)), at_once=False)
    assert own.together() == 2
    own.put(plan(T0, (0.0, "rx", 100), (2 * TOGETHER_S, "tx", 50)), at_once=True)
    assert own.together() == 1
    own.put(plan(T0, (0.0, "rx", 100), (TOGETHER_S / 2, "rx", 101)), at_once=True)
    assert own.together() == 1, "of one dial"
    own.drop()
    assert own.together() == 0
