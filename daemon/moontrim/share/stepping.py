"""Recognises a program on the share that corrects for Doppler as well: it would be corrected
twice. Pure but for the instants it is given (monotonic seconds).

    a frequency, then small steps one way, about one a second, on and on

A person clicks faster, further, to and fro, or stops. Its steps are refused as long as they go on,
and the sked frequency is again what it was before them."""

from __future__ import annotations

from collections import deque

STEPS, WITHIN_S = 10, 30.0  # chosen: nobody tunes by hertz, one way, for ten seconds
APART_S = 0.9  # steps closer than this count once: somebody holds a key down
# The Doppler of the whole path changes by at most 2.2e-10 of the frequency a second; twice that,
# and two steps of a dial of 1 Hz.
MOST_RATE_PER_S, DIALS_HZ = 5e-10, 2.0


class Stepping:
    """Holds the last frequencies that programs have requested.

    begun_at_hz: the sked frequency before they came."""

    def __init__(self) -> None:
        self.begun_at_hz: int | None = None
        self._hz = 0
        self._up = False
        self._begun_s = -WITHIN_S
        self._counted_s: deque[float] = deque(maxlen=STEPS)

    def goes_on(self, now_s: float, hz: int, sked_hz: int) -> bool:
        """Takes over a request; returns whether it is one of such steps, to be refused. sked_hz:
        the one in force."""
        by_hz, self._hz = hz - self._hz, hz
        if by_hz == 0:
            return self._recognised(now_s)
        small = abs(by_hz) <= DIALS_HZ + MOST_RATE_PER_S * hz
        if not small or (self._counted_s and self._up is not (by_hz > 0)):
            self._counted_s.clear()
            self.begun_at_hz, self._begun_s = sked_hz, now_s
        if small:
            if not self._counted_s and now_s - self._begun_s > WITHIN_S:
                self.begun_at_hz = sked_hz
            self._up = by_hz > 0
            if not self._counted_s or now_s - self._counted_s[-1] >= APART_S:
                self._counted_s.append(now_s)
        return self._recognised(now_s)

    def _recognised(self, now_s: float) -> bool:
        times_s = self._counted_s
        return len(times_s) == STEPS and now_s - times_s[0] < WITHIN_S
