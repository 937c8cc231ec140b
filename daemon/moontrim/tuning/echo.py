"""The frequency on which our own echo comes back, from what was sent. Pure.

    sent   ----+          +----      T: the delay of the whole path, about 2.5 s
               +----------+          echo(t) = sent(t - T) * (1 + fraction) + trim
    echo        ----+          +----
                    +----------+
           |<-- T ->|

What was sent is what the transmit dial was on: held, rounded, trimmed or turned. While nothing was
sent no echo comes, and the receiver waits where an over begun then would have come back."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import NamedTuple

from moontrim.tuning.steps import Ramp


class Sent(NamedTuple):
    """What was on the air from an instant on. on_air_hz: None: nothing was transmitted."""

    from_utc_s: float
    on_air_hz: float | None


def sent_course(
    ideal: Ramp, history: Iterable[Sent], start_utc_s: float, end_utc_s: float
) -> tuple[Ramp, ...]:
    """Returns what was on the air over a stretch, the first ramp from its start on.

    ideal: what would have been sent, for when nothing was. history: in order of time; before its
    first entry nothing was sent."""
    past = list(history)
    before = [entry for entry in past if entry.from_utc_s <= start_utc_s]
    inside = [entry for entry in past if start_utc_s < entry.from_utc_s < end_utc_s]
    on_air_hz = before[-1].on_air_hz if before else None
    course: list[Ramp] = []
    for entry in (Sent(start_utc_s, on_air_hz), *inside):
        at_s, hz = entry
        ramp = (
            Ramp(at_s, ideal.at(at_s), ideal.rate_hz_per_s) if hz is None else Ramp(at_s, hz, 0.0)
        )
        course.append(ramp)
    return tuple(course)


def echo_course(
    sent: tuple[Ramp, ...],
    start_utc_s: float,
    end_utc_s: float,
    delay_s: float,
    fractions: tuple[float, float],
    rx_trim_hz: float = 0.0,
) -> tuple[Ramp, ...]:
    """Returns where the echo is over a stretch of time at the receiver.

    sent: `sent_course` of the same stretch delay_s earlier. fractions: frequency ratio minus one of
    the whole path at the start and at the end."""
    first, last = fractions
    slope = (last - first) / (end_utc_s - start_utc_s)

    def echo(ramp: Ramp, at_s: float) -> float:
        fraction = first + slope * (at_s - start_utc_s)
        return ramp.at(at_s - delay_s) * (1.0 + fraction) + rx_trim_hz

    course = []
    starts_s = [max(ramp.start_utc_s + delay_s, start_utc_s) for ramp in sent]
    for ramp, (from_s, to_s) in zip(sent, pairwise([*starts_s, end_utc_s]), strict=True):
        if to_s > from_s:
            from_hz = echo(ramp, from_s)
            course.append(Ramp(from_s, from_hz, (echo(ramp, to_s) - from_hz) / (to_s - from_s)))
    return tuple(course)


def sent_for_echo(echo_hz: float, fraction: float, rx_trim_hz: float = 0.0) -> float:
    """Returns the frequency whose echo is received on echo_hz. fraction: frequency ratio minus one
    of the whole path."""
    return (echo_hz - rx_trim_hz) / (1.0 + fraction)
