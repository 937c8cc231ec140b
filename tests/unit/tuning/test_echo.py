"""Where our own echo comes back: from what was sent, a delay ago, times the whole path; and a dial
that follows it."""

from __future__ import annotations

from typing import get_args

import pytest

from moontrim.tuning.band import Band
from moontrim.tuning.correction import (
    AGREEMENTS,
    ECHO_AGREEMENTS,
    ECHO_DESCRIPTIONS,
    Agreement,
    Fractions,
    OnAir,
    on_air,
)
from moontrim.tuning.echo import Sent, echo_course, sent_course, sent_for_echo
from moontrim.tuning.steps import Plan, Ramp, WhileTransmitting, crossings, plan_stretch

T0 = 1_795_000_000.0
DELAY_S = 2.5
SKED_HZ = 10_368_100_000.0
FRACTION = -1.6e-6  # of the whole path: 16.6 kHz
BAND = Band("3 cm", 10_368_000_000, 10_370_000_000, 10_224_000_000)


def sent_dial(*history: Sent, ideal_hz: float = SKED_HZ, rate: float = 0.0) -> tuple[Ramp, ...]:
    left_s = T0 - DELAY_S
    return sent_course(Ramp(left_s, ideal_hz, rate), history, left_s, left_s + 1.0)


def at(course: tuple[Ramp, ...], utc_s: float) -> float:
    return course[0]._replace(later=course[1:]).at(utc_s)


@pytest.mark.parametrize(
    ("history", "sent_hz"),
    [
        ([], (0.0, 0.0, 0.0)),  # nothing was sent: what would have been
        ([Sent(T0 - 9.0, SKED_HZ + 70)], (70.0, 70.0, 70.0)),  # held, for long
        ([Sent(T0 - 9.0, SKED_HZ + 70), Sent(T0 - 8.0, None)], (0.0, 0.0, 0.0)),
        ([Sent(T0 - DELAY_S + 0.5, SKED_HZ + 70)], (0.0, 70.0, 70.0)),  # pressed meanwhile
        (
            [Sent(T0 - 5.0, SKED_HZ - 3), Sent(T0 - DELAY_S + 0.7, None)],  # released meanwhile
            (-3.0, -3.0, 0.0),
        ),
        (
            [Sent(T0 - 5.0, SKED_HZ - 3), Sent(T0 - DELAY_S + 0.5, SKED_HZ - 2)],  # a step
            (-3.0, -2.0, -2.0),
        ),
        ([Sent(T0 - 1.0, SKED_HZ + 70)], (0.0, 0.0, 0.0)),  # not back yet
    ],
)
def test_the_echo_is_of_what_was_sent_a_delay_ago(
    history: list[Sent], sent_hz: tuple[float, ...]
) -> None:
    course = echo_course(sent_dial(*history), T0, T0 + 1.0, DELAY_S, (FRACTION, FRACTION), 5.0)
    for utc_s, hz in zip((T0 + 0.25, T0 + 0.6, T0 + 0.9), sent_hz, strict=True):
        expected = (SKED_HZ + hz) * (1.0 + FRACTION) + 5.0
        assert at(course, utc_s) == pytest.approx(expected, abs=1e-5)
    assert course[0].start_utc_s == T0
    assert sent_for_echo(at(course, T0), FRACTION, 5.0) == pytest.approx(
        SKED_HZ + sent_hz[0], abs=1e-5
    )


def test_the_echo_moves_with_the_path_and_with_what_was_sent() -> None:
    later = FRACTION + 2e-10
    held = echo_course(sent_dial(Sent(T0 - 9.0, SKED_HZ)), T0, T0 + 1.0, DELAY_S, (FRACTION, later))
    assert held[0].rate_hz_per_s == pytest.approx(2e-10 * SKED_HZ, rel=1e-5)
    moved = echo_course(sent_dial(rate=-3.0), T0, T0 + 1.0, DELAY_S, (FRACTION, FRACTION))
    assert moved[0].rate_hz_per_s == pytest.approx(-3.0, rel=1e-5)


# --- what the agreements mean without a partner ---------------------------------------------------

# Of a wave that left a delay ago: the ratio of the whole path is that of its legs multiplied.
UP, DOWN = -1.1e-6, -0.7e-6
WHOLE = (1.0 + UP) * (1.0 + DOWN) - 1.0
ALIKE = Fractions(UP, DOWN, WHOLE, WHOLE)


@pytest.mark.parametrize("tx_sked_hz", [None, SKED_HZ + 100_000])
@pytest.mark.parametrize("agreement", AGREEMENTS)
def test_the_ideal_echo_is_that_of_the_ideal_transmitter(
    agreement: Agreement, tx_sked_hz: float | None
) -> None:
    both = on_air(agreement, SKED_HZ, ALIKE, 12.0, -40.0, tx_sked_hz, own_echo=True)
    assert both.rx_hz == pytest.approx(both.tx_hz * (1.0 + WHOLE) + 12.0, abs=1e-4)
    assert both.tx_hz == on_air(agreement, SKED_HZ, ALIKE, 0.0, -40.0, tx_sked_hz).tx_hz


@pytest.mark.parametrize(("one", "other"), [("home", "transmitter"), ("partner", "receiver")])
def test_nobody_else_corrects_so_two_pairs_are_the_same(one: Agreement, other: Agreement) -> None:
    assert on_air(one, SKED_HZ, ALIKE, own_echo=True) == on_air(
        other, SKED_HZ, ALIKE, own_echo=True
    )


def test_the_texts_ask_nobody_for_anything() -> None:
    assert set(ECHO_DESCRIPTIONS) == set(ECHO_AGREEMENTS)
    for text in ECHO_DESCRIPTIONS.values():
        assert not any(word in text for word in ("ask", "you", "partner", "both", "each sends"))


# --- the dial that follows ------------------------------------------------------------------------


def plan(
    echo: tuple[Ramp, ...], *, steps_per_s: float = 50.0, mode: WhileTransmitting = "step"
) -> Plan:
    same = OnAir(SKED_HZ * (1.0 + FRACTION), SKED_HZ)
    return plan_stretch(
        BAND, BAND, T0, T0 + 1.0, same, same, resolution_hz=1, split=True, transmitting=True,
        while_transmitting=mode, steps_per_s=steps_per_s, echo=echo,
    )  # fmt: skip


@pytest.mark.parametrize("rate", [-7.3, -3.0, -0.9, 0.4, 2.0, 5.1])
@pytest.mark.parametrize("path_rate", [-1.6e-10, 0.0, 1.5e-10])
def test_a_dial_follows_the_steps_of_the_transmit_dial(rate: float, path_rate: float) -> None:
    """Never more than half a step off, but for what lasts less than 0.02 s."""
    left_s = T0 - DELAY_S
    steps = crossings(Ramp(left_s - 1.0, SKED_HZ + 0.37, rate), left_s + 1.0, 1)
    course = sent_dial(*(Sent(utc_s, float(hz)) for utc_s, hz in steps))
    echo = echo_course(course, T0, T0 + 1.0, DELAY_S, (FRACTION, FRACTION + path_rate))
    planned = plan(echo)
    worst_hz = 0.0
    for n in range(1000):
        utc_s = T0 + n / 1000.0
        dial_hz = [s.dial_hz for s in planned.steps if s.which == "rx" and s.at_utc_s <= utc_s][-1]
        worst_hz = max(worst_hz, abs(dial_hz - BAND.dial_hz(at(echo, utc_s))))
    assert worst_hz <= 0.5 + 0.021 * (abs(rate) + abs(path_rate) * SKED_HZ) + 1e-6
    instants = [s.at_utc_s for s in planned.steps if s.which == "rx"]
    assert instants == sorted(instants) and instants[0] == T0


def test_a_radio_too_slow_for_the_steps_follows_their_middle() -> None:
    """Rather than everything on a grid of 2 Hz."""
    steps = [Sent(T0 - 3.0 + n / 8, SKED_HZ + n) for n in range(12)]
    middle = SKED_HZ * (1.0 + FRACTION)
    echo = echo_course(sent_dial(*steps), T0, T0 + 1.0, DELAY_S, (FRACTION, FRACTION))
    slow, fast = plan(echo, steps_per_s=4.0), plan(echo)
    assert (slow.grid_hz, slow.rx.later, slow.rx.at(T0)) == (1, (), BAND.dial_hz(middle))
    assert fast.grid_hz == 1 and len(fast.rx.later) == 7


@pytest.mark.parametrize("mode", get_args(WhileTransmitting))
def test_what_was_held_far_off_is_followed_by_any_radio(mode: WhileTransmitting) -> None:
    held = echo_course(
        sent_dial(Sent(T0 - 9.0, SKED_HZ - 81.0), Sent(T0 - DELAY_S + 0.5, None)),
        T0, T0 + 1.0, DELAY_S, (FRACTION, FRACTION),
    )  # fmt: skip
    slow = plan(held, steps_per_s=1.0, mode=mode)
    assert slow.grid_hz == 1
    for utc_s, off_hz in ((T0 + 0.4, -81.0), (T0 + 0.6, 0.0)):
        expected = BAND.dial_hz((SKED_HZ + off_hz) * (1.0 + FRACTION))
        assert slow.rx.at(utc_s) == pytest.approx(expected, abs=1e-5)
