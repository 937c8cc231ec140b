"""Recognises another program that sets the dials of the same radio. Pure but for the instants it is
given (monotonic seconds).

A person turns the receive dial, lets it rest, and is content where the daemon follows it. Another
program does what no person does:

    sets the transmit dial again      put back, moved again, put back, moved again: recognised, and
                                      put back a last time, so that another moontrim notices it too
    steps the receive dial on         small steps one way, as a correction does, that rest between
                                      or go on for long
    does not give in                  left alone as for a hand that turns again and again, it moves
                                      the dial again once that has ended

From then on the dials are left alone until the operator pauses and resumes the correction: two
programs that fight make the radio jump under whichever of them transmits."""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

# Chosen: nobody has a reason to turn the transmit dial three times in half a minute while it is put
# back; two programs that read a slow radio once a second need ten.
TIMES, WITHIN_S = 3, 30.0
# Chosen: a program steps on for ever. A person who searches by steps takes larger ones, and one who
# tunes to zero beat turns both ways.
STEPS = 6
CHANGES = 15  # the same for a dial that never rests, about 8 s of looks
# The Doppler of the whole path changes by at most 2.2e-10 of the frequency a second; twice
# that, since what is followed moves as well.
MOST_RATE_PER_S = 5e-10
IN_USE_TIMES, IN_USE_WITHIN_S = 2, 60.0  # chosen: the dial is left alone for 10 s in each
# Chosen: enough to set a slow radio a last time, and again if the other program has just done so.
LAST_S = 3.0
# Chosen: three times that, since the other program may be putting its dials back a last time.
SAME_S = 10.0
REASON = (
    "another program moves this radio's dials; stop it, or have it use the share of moontrim, then "
    "pause and resume the correction"
)


class Followed(NamedTuple):
    """A sked frequency (Hz) of a band, as it was before the receive dial was followed."""

    at_s: float
    band: str
    sked_hz: float


class _OneWay:
    """When a dial last took small steps one way."""

    def __init__(self, most: int) -> None:
        self.at_s: deque[float] = deque(maxlen=most)
        self._up = False

    def add(self, now_s: float, by_hz: int, small_hz: float) -> None:
        if abs(by_hz) > small_hz or self._up is not (by_hz > 0):
            self.at_s.clear()
        self._up = by_hz > 0
        if abs(by_hz) <= small_hz:
            self.at_s.append(now_s)


class OtherProgram:
    """Counts what speaks for another program. reason: what is known of it, with the remedy; empty
    if there is none."""

    def __init__(self) -> None:
        self.reason = ""
        self._since_s = 0.0
        self._transmit_at_s: deque[float] = deque(maxlen=TIMES)
        self._in_use_at_s: deque[float] = deque(maxlen=IN_USE_TIMES)
        self._steps = _OneWay(STEPS)
        self._changes = _OneWay(CHANGES)
        self._followed: list[Followed] = []

    def left_alone(self, now_s: float) -> bool:
        """Returns whether the dials are left to the other program."""
        return bool(self.reason) and now_s >= self._since_s + LAST_S

    def transmit_dial_moved(self, now_s: float) -> None:
        """Takes over that something has moved the transmit dial."""
        self._transmit_at_s.append(now_s)
        self._recognise(now_s, self._transmit_at_s, TIMES, WITHIN_S)

    def transmit_dial_moved_lately(self, now_s: float) -> bool:
        """Returns whether whatever moved the transmit dial may be what moves the receive dial
        now."""
        return bool(self._transmit_at_s) and now_s - self._transmit_at_s[-1] < SAME_S

    def dial_in_use(self, now_s: float) -> None:
        """Takes over that the dial is left alone, since it was restored too often."""
        self._in_use_at_s.append(now_s)
        self._recognise(now_s, self._in_use_at_s, IN_USE_TIMES, IN_USE_WITHIN_S)

    def receive_dial_moved(self, now_s: float, by_hz: int, small_hz: float) -> None:
        """Takes over that the receive dial alone has moved, and rests. small_hz: the largest step
        that a correction takes."""
        self._steps.add(now_s, by_hz, small_hz)
        self._recognise(now_s, self._steps.at_s, STEPS, WITHIN_S)

    def receive_dial_turning(self, now_s: float, by_hz: int, small_hz: float) -> None:
        """Takes over a change of the receive dial between two looks, at rest or not."""
        self._changes.add(now_s, by_hz, small_hz)
        self._recognise(now_s, self._changes.at_s, CHANGES, WITHIN_S)

    def followed(self, now_s: float, band: str, sked_hz: float) -> None:
        """Keeps the sked frequency that was left to follow the receive dial."""
        recent = [one for one in self._followed if one.at_s > now_s - WITHIN_S]
        self._followed = [*recent, Followed(now_s, band, sked_hz)]

    def sked_before_hz(self, now_s: float, band: str) -> float | None:
        """Returns the sked frequency of this band before the dial was followed to where the other
        program had moved it; None if it was not."""
        return next(
            (f.sked_hz for f in self._followed if f.band == band and f.at_s > now_s - WITHIN_S),
            None,
        )

    def retuned(self) -> None:
        """Takes over that the operator has chosen band or sked frequency anew."""
        self._followed = []

    def end(self) -> None:
        """Begins afresh: the operator has paused or resumed the correction."""
        self.reason = ""
        self._followed = []
        for at_s in (
            self._transmit_at_s,
            self._in_use_at_s,
            self._steps.at_s,
            self._changes.at_s,
        ):
            at_s.clear()

    def _recognise(self, now_s: float, at_s: deque[float], times: int, within_s: float) -> None:
        if not self.reason and len(at_s) == times and now_s - at_s[0] < within_s:
            self.reason, self._since_s = REASON, now_s
