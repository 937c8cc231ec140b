"""A dial that is turned is restored three times in ten seconds, then left alone for ten."""

from __future__ import annotations

import pytest

from moontrim.tracking.handondial import IN_USE_S, MOST_RESTORES, WITHIN_S, TurnedDial


def test_the_rule_is_three_times_in_ten_seconds_then_ten_seconds() -> None:
    assert (MOST_RESTORES, WITHIN_S, IN_USE_S) == (3, 10.0, 10.0)


@pytest.mark.parametrize(
    ("turned_at_s", "restored"),
    [
        # One after the other within 10 s: the fourth is left alone.
        ([0.0], "y"),
        ([0.0, 1.0], "yy"),
        ([0.0, 1.0, 2.0], "yyy"),
        ([0.0, 1.0, 2.0, 3.0], "yyyn"),
        ([0.0, 4.0, 8.0, 9.99], "yyyn"),
        ([0.0, 0.0, 0.0, 0.0], "yyyn"),
        # The first of the three was 10 s ago or longer: it does not count any more.
        ([0.0, 4.0, 8.0, 10.0], "yyyy"),
        ([0.0, 4.0, 8.0, 10.01], "yyyy"),
        ([0.0, 4.0, 8.0, 10.0, 13.99], "yyyyn"),
        ([0.0, 4.0, 8.0, 10.0, 14.0], "yyyyy"),
        # At a slow pace it is restored for ever.
        ([4.0 * n for n in range(12)], "y" * 12),
        ([3.4 * n for n in range(12)], "y" * 12),
        # Having been left alone, it may be restored three times again.
        ([0.0, 1.0, 2.0, 3.0, 13.0, 14.0, 15.0, 16.0], "yyynyyyn"),
    ],
)
def test_how_often_it_is_put_back(turned_at_s: list[float], restored: str) -> None:
    dial = TurnedDial()
    answers = [dial.may_restore(100.0 + at_s) for at_s in turned_at_s]
    assert "".join("y" if answer else "n" for answer in answers) == restored


@pytest.mark.parametrize(
    ("turned_at_s", "now_s", "in_use"),
    [
        ([], 0.0, False),
        ([0.0, 1.0, 2.0], 2.0, False),
        ([0.0, 1.0, 2.0, 3.0], 3.0, True),
        ([0.0, 1.0, 2.0, 3.0], 12.99, True),
        ([0.0, 1.0, 2.0, 3.0], 13.0, False),
        ([0.0, 1.0, 2.0, 3.0], 1000.0, False),
        # Turned twice more meanwhile: neither longer nor shorter.
        ([0.0, 1.0, 2.0, 3.0, 8.0, 9.0], 12.99, True),
        ([0.0, 1.0, 2.0, 3.0, 8.0, 9.0], 13.0, False),
        # Turned four times meanwhile: ten seconds from the last.
        ([0.0, 1.0, 2.0, 3.0, 8.0, 9.0, 10.0, 11.0], 20.99, True),
        ([0.0, 1.0, 2.0, 3.0, 8.0, 9.0, 10.0, 11.0], 21.0, False),
    ],
)
def test_how_long_it_is_left_alone(turned_at_s: list[float], now_s: float, *, in_use: bool) -> None:
    dial = TurnedDial()
    for at_s in turned_at_s:
        dial.may_restore(100.0 + at_s)
    assert dial.in_use(100.0 + now_s) is in_use


def fought(dial: TurnedDial) -> None:
    for at_s in (0.0, 1.0, 2.0, 3.0):
        dial.may_restore(at_s)
    dial.cannot_follow("beyond the edge")


@pytest.mark.parametrize(
    ("what_happens", "in_use", "not_followed"),
    [
        ("nothing", True, "beyond the edge"),
        ("back", True, ""),  # followed again, or reconnected
        ("command", False, ""),  # the operator wants something
    ],
)
def test_what_ends_it(what_happens: str, *, in_use: bool, not_followed: str) -> None:
    dial = TurnedDial()
    fought(dial)
    if what_happens != "nothing":
        getattr(dial, what_happens)()
    assert dial.in_use(4.0) is in_use
    assert dial.not_followed == not_followed


def test_a_new_radio_has_not_been_turned() -> None:
    dial = TurnedDial()
    assert not dial.in_use(0.0) and not dial.not_followed
