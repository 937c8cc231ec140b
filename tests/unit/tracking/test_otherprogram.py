"""What speaks for another program on the radio, and what does not."""

from __future__ import annotations

import pytest

from moontrim.tracking.handondial import TurnedDial
from moontrim.tracking.otherprogram import (
    CHANGES,
    IN_USE_TIMES,
    IN_USE_WITHIN_S,
    LAST_S,
    REASON,
    STEPS,
    TIMES,
    WITHIN_S,
    OtherProgram,
)

SMALL_HZ = 7.0  # at 10 GHz with a dial of 1 Hz


def test_the_rules_are_these() -> None:
    assert (TIMES, STEPS, CHANGES, WITHIN_S) == (3, 6, 15, 30.0)
    assert (IN_USE_TIMES, IN_USE_WITHIN_S) == (2, 60.0)


@pytest.mark.parametrize(
    ("at_s", "known"),
    [
        ([0.0], False),
        ([0.0, 1.0], False),
        ([0.0, 1.0, 2.0], True),
        ([0.0, 14.0, 29.9], True),
        ([0.0, 14.0, 30.0], False),
        ([0.0, 20.0, 40.0, 60.0], False),
        ([0.0, 20.0, 40.0, 49.9], True),
    ],
)
def test_the_transmit_dial_set_again(at_s: list[float], *, known: bool) -> None:
    other = OtherProgram()
    for now_s in at_s:
        other.transmit_dial_moved(now_s)
    assert other.reason == (REASON if known else "")


@pytest.mark.parametrize(
    ("turns_hz", "every_s", "known"),
    [
        ([-1] * 6, 1.0, True),
        ([-1] * 5, 1.0, False),
        ([3] * 6, 5.9, True),
        ([3] * 6, 6.0, False),  # too slow to be known by it
        ([2500, -2, -2, -3, -2, -2, -2], 1.0, True),  # the first brings it to its place
        ([-1, -1, -1, 1, -1, -1], 1.0, False),  # to and fro
        ([8] * 12, 1.0, False),  # a search by larger steps
        ([1, 1, 1, 20, 1, 1, 1], 1.0, False),
        ([7] * 6, 1.0, True),
    ],
)
def test_the_receive_dial_stepped_on(turns_hz: list[int], every_s: float, *, known: bool) -> None:
    other = OtherProgram()
    for n, by_hz in enumerate(turns_hz):
        other.receive_dial_moved(every_s * n, by_hz, SMALL_HZ)
    assert bool(other.reason) is known


@pytest.mark.parametrize(("changes", "known"), [(14, False), (15, True)])
def test_the_receive_dial_that_never_rests(changes: int, *, known: bool) -> None:
    other = OtherProgram()
    other.receive_dial_turning(0.0, 2500, SMALL_HZ)
    for n in range(changes):
        other.receive_dial_turning(0.5 * n, 1, SMALL_HZ)
    assert bool(other.reason) is known


@pytest.mark.parametrize(("apart_s", "known"), [(15.0, True), (59.0, True), (61.0, False)])
def test_one_that_does_not_give_in(apart_s: float, *, known: bool) -> None:
    """Put back three times and left alone, and then the same again."""
    turned = TurnedDial()
    for began_s in (100.0, 100.0 + apart_s):
        for n in range(4):
            turned.may_restore(began_s + n)
    assert bool(turned.other.reason) is known


def test_the_dials_are_put_back_a_last_time() -> None:
    other = OtherProgram()
    for now_s in (0.0, 1.0, 2.0):
        assert not other.left_alone(now_s)
        other.transmit_dial_moved(now_s)
    assert not other.left_alone(2.0 + LAST_S - 0.01)
    assert other.left_alone(2.0 + LAST_S) and other.left_alone(1e6)
    other.transmit_dial_moved(3.0 + LAST_S)
    assert other.left_alone(3.0 + LAST_S), "once recognised, nothing begins anew"


def test_the_sked_of_before_is_that_of_the_first_time_in_a_while() -> None:
    other = OtherProgram()
    assert other.sked_before_hz(0.0, "a") is None
    other.followed(0.0, "a", 100.0)
    other.followed(20.0, "b", 900.0)
    other.followed(25.0, "a", 110.0)
    assert other.sked_before_hz(29.9, "a") == 100.0
    assert other.sked_before_hz(30.0, "a") == 110.0
    assert other.sked_before_hz(30.0, "b") == 900.0
    assert other.sked_before_hz(60.0, "a") is None
    other.retuned()
    assert other.sked_before_hz(26.0, "a") is None, "the operator has chosen it"


def test_it_ends_only_by_the_operator() -> None:
    turned = TurnedDial()
    for now_s in (0.0, 1.0, 2.0):
        turned.other.transmit_dial_moved(now_s)
    turned.back()
    turned.command()
    assert turned.other.reason
    turned.other.end()
    assert not turned.other.reason and not turned.other.left_alone(100.0)
    turned.other.transmit_dial_moved(3.0)
    assert not turned.other.reason, "counted anew"
