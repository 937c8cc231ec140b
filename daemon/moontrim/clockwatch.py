"""Has the clock stepped, and is it to be trusted? Compares UTC with the monotonic clock."""

from __future__ import annotations

import math

from moontrim.clock import Clock

STEP_S = 0.05
SETTLED_S = 10.0  # a clock that has stepped is not trusted for transmitting for so long


class ClockWatch:
    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._difference_s = clock.utc_s() - clock.monotonic_s()
        self._stepped_at_s = -math.inf

    def step_s(self) -> float:
        """By how much UTC has stepped since this was last asked; 0 if it only ran."""
        difference_s = self._clock.utc_s() - self._clock.monotonic_s()
        step_s = difference_s - self._difference_s
        self._difference_s = difference_s
        if abs(step_s) < STEP_S:
            return 0.0
        self._stepped_at_s = self._clock.monotonic_s()
        return step_s

    def doubt(self) -> str:
        """Why the clock is not to be trusted just now; empty if it may be."""
        if self._clock.monotonic_s() - self._stepped_at_s < SETTLED_S:
            return "it stepped a moment ago"
        return ""
