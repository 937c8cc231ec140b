"""The steps that dials are still to take, without a radio."""

from __future__ import annotations

import math

import pytest

from moontrim.rig.pendingsteps import ROUNDED_HZ, TOGETHER_S, DialSteps, not_as_set
from moontrim.rig.view import DialMoved
from moontrim.tuning.steps import DialName, Plan, Ramp, Step

T0 = 1_795_000_000.0
FLAT = Ramp(T0, 144_100_000.0, 0.0)


def plan(start_utc_s: float, *steps: tuple[float, DialName, int]) -> Plan:
    """Of one second; steps: how long after T0, which dial, where to."""
    made = tuple(Step(T0 + after_s, which, dial_hz) for after_s, which, dial_hz in steps)
    return Plan(start_utc_s, start_utc_s + 1.0, FLAT, FLAT, True, "rx", 1, made, {}, False)


def hz_of(steps: dict[DialName, Step]) -> dict[DialName, int]:
    return {which: step.dial_hz for which, step in steps.items()}


def test_steps_of_the_plan_before_stay_until_the_new_one_begins() -> None:
    before = plan(T0, (0.0, "rx", 100), (0.5, "rx", 101), (1.5, "rx", 102))
    after = plan(T0 + 1.0, (1.0, "rx", 201))
    steps = DialSteps()
    steps.put(before, at_once=False)
    steps.put(after, at_once=False)
    assert hz_of(steps.take(T0 + 0.6)) == {"rx": 101}, "of several the newest counts"
    assert steps.next_utc_s == T0 + 1.0
    assert hz_of(steps.take(T0 + 2.0)) == {"rx": 201}
    assert not steps and steps.next_utc_s == math.inf

    steps.put(before, at_once=False)
    steps.put(after, at_once=True)
    assert steps.next_utc_s == T0 + 1.0, "at once, they go"


def test_what_stands_already_needs_no_set() -> None:
    steps = DialSteps()
    steps.standing.update(rx=100, tx=50)
    steps.put(plan(T0, (0.0, "rx", 100), (0.0, "tx", 50)), at_once=False)
    assert steps and steps.settled and not steps.overdue(T0 + 1.0)
    assert steps.take(T0) == {}

    steps.put(plan(T0, (0.0, "rx", 100), (0.0, "tx", 51), (0.5, "rx", 101)), at_once=False)
    assert not steps.settled
    assert steps.drop_taken() and steps.next_utc_s == T0
    assert not steps.drop_taken(), "the first that leads elsewhere stays, and all behind it"
    assert not steps.overdue(T0 - 0.1) and steps.overdue(T0)
    assert hz_of(steps.take(T0)) == {"tx": 51}


def test_a_dial_that_arrives_late_has_not_been_moved() -> None:
    """The read-back after a set may come from a cache; then the set shows in the next one."""
    steps = DialSteps()
    steps.standing.update(rx=100, tx=50)
    steps.put(plan(T0, (0.0, "rx", 101), (0.9, "rx", 102)), at_once=False)
    assert hz_of(steps.take(T0)) == {"rx": 101}
    assert steps.accept({"rx": 100, "tx": 50}) == [], "not yet"
    assert steps.accept({"rx": 101, "tx": 50}) == [] and steps.standing["rx"] == 101
    assert hz_of(steps.take(T0 + 1.0)) == {"rx": 102}, "the rest of the plan stays"

    steps.standing.update(rx=102)
    turned = DialMoved("rx", 102, 300)
    assert steps.accept({"rx": 300, "tx": 50}) == [turned]
    assert steps.accept({"rx": 102, "tx": 50}) == [DialMoved("rx", 300, 102)], "turned back"


def test_a_dial_of_which_nothing_is_known_is_to_be_set() -> None:
    steps = DialSteps()
    steps.standing.update(rx=100)
    steps.put(plan(T0, (0.0, "rx", 100)), at_once=False)
    steps.forget()
    assert not steps and steps.settled, "where it was to go is forgotten as well"
    steps.put(plan(T0, (0.0, "rx", 100)), at_once=False)
    assert not steps.settled and hz_of(steps.take(T0)) == {"rx": 100}


def test_steps_that_are_close_share_a_command() -> None:
    steps = DialSteps()
    steps.put(plan(T0, (0.0, "rx", 100), (TOGETHER_S, "tx", 50)), at_once=False)
    assert steps.together() == 2
    steps.put(plan(T0, (0.0, "rx", 100), (2 * TOGETHER_S, "tx", 50)), at_once=True)
    assert steps.together() == 1
    steps.put(plan(T0, (0.0, "rx", 100), (TOGETHER_S / 2, "rx", 101)), at_once=True)
    assert steps.together() == 1, "of one dial"
    steps.drop()
    assert steps.together() == 0


def test_a_dial_that_is_elsewhere_was_moved_and_is_accepted() -> None:
    steps = DialSteps()
    steps.standing.update(rx=100)
    steps.put(plan(T0, (0.0, "rx", 101)), at_once=False)
    assert steps.accept({"rx": 100, "tx": 50}) == [] and steps, "of tx nothing was known"
    assert steps.accept({"rx": 300, "tx": None}) == [DialMoved("rx", 100, 300)]
    assert not steps and steps.standing == {"rx": 300}


@pytest.mark.parametrize(
    ("shown_hz", "ignored"),
    [
        (5000, False),
        (1000, True),  # where it was before
        (5000 + ROUNDED_HZ, True),
        (5000 + ROUNDED_HZ + 1, False),  # somebody turned it
        (None, False),
    ],
)
def test_a_set_that_is_ignored_or_rounded(shown_hz: int | None, ignored: bool) -> None:
    assert bool(not_as_set({"rx": 5000}, {"rx": 1000}, {"rx": shown_hz, "tx": 1})) is ignored
