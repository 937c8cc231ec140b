"""What has moved the dials: one of them turned, A and B exchanged or copied, or both set."""

from __future__ import annotations

import math

import pytest

from moontrim.rig.moveddials import CONFIRM_S, SLOW_S, MovedDials, exchanged
from moontrim.rig.view import DialMoved, DialTurning

LOOK_S = 0.5  # the default poll
CLOSE_HZ = 2
Look = tuple[float, int, int | None]  # instant, receive and transmit dial


def judged(*looks: Look) -> list[tuple[float, object]]:
    """Returns what is reported, and when. The first look is where the dials were left."""
    dials, reports = MovedDials(), []
    dials.placed = True
    before: dict[str, int] = {}
    for at_s, rx_hz, tx_hz in looks:
        now = {"rx": rx_hz} | ({} if tx_hz is None else {"tx": tx_hz})
        events = dials.judge(before or now, now, at_s, CLOSE_HZ)  # type: ignore[arg-type]
        reports += [(at_s, event) for event in events]
        assert dials.waiting is (dials.due_s < math.inf)
        before = now
    return reports


TURNED = DialMoved("rx", 1000, 1500)
RX_EXCHANGED = DialMoved("rx", 1000, 9000, exchanged=True)
BOTH = [
    DialMoved("rx", 1000, 1500, together=True),
    DialMoved("tx", 9000, 9500, together=True),
]


@pytest.mark.parametrize(
    ("looks", "moved"),
    [
        # Turned by hand: once two looks agree.
        ([(0.0, 1500, 9000)], []),
        ([(0.0, 1500, 9000), (CONFIRM_S - 0.01, 1500, 9000)], []),
        ([(0.0, 1500, 9000), (CONFIRM_S, 1500, 9000)], [TURNED]),
        ([(0.0, 1500, 9000), (0.3, 1500, 9000), (CONFIRM_S, 1500, 9000)], [TURNED]),
        # The same with one dial.
        ([(0.0, 1500, None), (CONFIRM_S, 1500, None)], [TURNED]),
        # Still being turned.
        ([(0.0, 1200, 9000), (0.5, 1500, 9000), (0.9, 1500, 9000)], []),
        ([(0.0, 1200, 9000), (0.5, 1500, 9000), (1.1, 1500, 9000)], [TURNED]),
        # Turned back.
        ([(0.0, 1500, 9000), (0.5, 1000, 9000), (1.5, 1000, 9000)], []),
        # The transmit dial, or both: at once.
        ([(0.0, 1000, 9500)], [DialMoved("tx", 9000, 9500)]),
        ([(0.0, 1500, 9500)], BOTH),
        ([(0.0, 1500, 9000), (0.5, 1500, 9500)], BOTH),
        # A and B exchanged: at once, in two sets, and with a step of ours in between.
        ([(0.0, 9000, 1000)], [RX_EXCHANGED]),
        ([(0.0, 9000, 9000), (0.5, 9000, 1000)], [RX_EXCHANGED]),
        ([(0.0, 9002, 998)], [DialMoved("rx", 1000, 9002, exchanged=True)]),
        ([(0.0, 9003, 1000)], [
            DialMoved("rx", 1000, 9003, together=True),
            DialMoved("tx", 9000, 1000, together=True),
        ]),
        # One copied to the other.
        ([(0.0, 9000, 9000), (CONFIRM_S, 9000, 9000)], [RX_EXCHANGED]),
        ([(0.0, 1000, 1000)], [DialMoved("tx", 9000, 1000, exchanged=True)]),
        # The values of a program with the opposite agreement: one lands where the other stood.
        ([(0.0, -7000, 1000)], [
            DialMoved("rx", 1000, -7000, together=True),
            DialMoved("tx", 9000, 1000, together=True),
        ]),
    ],
)  # fmt: skip
def test_what_has_moved(looks: list[Look], moved: list[DialMoved]) -> None:
    two = looks[0][2] is not None
    reports = judged((-1.0, 1000, 9000 if two else None), *looks)
    assert [event for _, event in reports if isinstance(event, DialMoved)] == moved


def test_each_change_of_a_turning_dial_is_reported() -> None:
    reports = judged((-1.0, 1000, 9000), (0.0, 1200, 9000), (0.5, 1150, 9000), (1.2, 1150, 9000))
    assert reports == [
        (0.0, DialTurning(1000, 1200)),
        (0.5, DialTurning(1200, 1150)),
        (1.2, DialMoved("rx", 1000, 1150)),
    ]


def test_a_dial_that_was_long_in_coming_must_rest_for_longer() -> None:
    turning: list[Look] = [(LOOK_S * n, 1000 + n, None) for n in range(1, 6)]
    last_s, last_hz, _ = turning[-1]
    assert last_s - turning[0][0] > SLOW_S
    reports = judged((0.0, 1000, None), *turning, (last_s + CONFIRM_S, last_hz, None))
    assert all(isinstance(event, DialTurning) for _, event in reports)
    reports = judged((0.0, 1000, None), *turning, (last_s + 2 * CONFIRM_S, last_hz, None))
    assert reports[-1][1] == DialMoved("rx", 1000, last_hz)


def test_dials_that_stood_together_are_not_exchanged() -> None:
    """With next to no shift, a turn of the receive dial ends near the transmit dial."""
    assert not exchanged({"rx": 1000, "tx": 1003}, {"rx": 1003, "tx": 1003}, CLOSE_HZ)
    assert exchanged({"rx": 1000, "tx": 1005}, {"rx": 1005, "tx": 1005}, CLOSE_HZ)
    assert not exchanged({"rx": 1000}, {"rx": 1005}, CLOSE_HZ)


def test_forgotten_nothing_is_reported() -> None:
    dials = MovedDials()
    dials.judge({"rx": 1000}, {"rx": 1500}, 0.0, CLOSE_HZ)
    assert dials.waiting and dials.due_s == CONFIRM_S
    dials.placed = True
    dials.forget()
    assert not dials.placed
    assert not dials.waiting
    assert dials.judge({"rx": 1500}, {"rx": 1500}, CONFIRM_S, CLOSE_HZ) == []
