"""Has the clock stepped, or the machine slept? Compares UTC with the monotonic clock, and that with
the one that goes on while the machine is suspended."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable

from moontrim.clock.system import Clock

PUT_ASIDE_S = 1e-3  # nobody can have been, if two clocks agree so well
STEP_S = 0.05
SLEPT_S = 0.5  # shorter than any suspension; longer than a busy machine takes to read two clocks
SETTLED_S = 10.0  # a clock that has stepped is not trusted for transmitting for so long


def awake() -> float:
    """Of a machine that never sleeps."""
    return 0.0


class ClockWatch:
    """suspended_s: how long the machine has been suspended since it was started, all told.

    said: the last that happened, in words. disturbed_at_s: when that was noticed, monotonic.
    disturbed: set each time; whoever waits for it clears it."""

    def __init__(self, clock: Clock, suspended_s: Callable[[], float] = awake) -> None:
        self.said = ""
        self.disturbed_at_s = -math.inf
        self.disturbed = asyncio.Event()
        self._clock = clock
        self._suspended_s = suspended_s
        self._difference_s = clock.utc_s() - clock.monotonic_s()
        self._slept_s = suspended_s()

    def step_s(self) -> float:
        """By how much UTC has stepped since this was last asked; 0 if it only ran. A suspension
        shows as a step too, as the monotonic clock stands still meanwhile: see `said`."""
        difference_s = self._seen_s()
        step_s = difference_s - self._difference_s
        self._difference_s = difference_s
        slept_s = self._suspended_s() - self._slept_s
        if slept_s >= SLEPT_S:
            self._slept_s += slept_s
            self._disturbed(f"the machine slept for {slept_s:.0f} s")
            return step_s
        if abs(step_s) < STEP_S:
            return 0.0
        self._disturbed(f"the clock stepped by {step_s:+.3f} s")
        return step_s

    def doubt(self) -> str:
        """Why the clock is not to be trusted just now; empty if it may be. Also sees what `step_s`
        has not been asked about yet."""
        if self._suspended_s() - self._slept_s >= SLEPT_S:
            return "the machine has just woken"
        if abs(self._seen_s() - self._difference_s) >= STEP_S:
            return "it has just stepped"
        if self.said and self._clock.monotonic_s() - self.disturbed_at_s < SETTLED_S:
            return f"a moment ago {self.said}"
        return ""

    def _seen_s(self) -> float:
        """UTC minus monotonic, as near to what it was as the readings allow: whoever is put aside
        between two of them has seen no step."""
        before_s = self._clock.monotonic_s()
        utc_s = self._clock.utc_s()
        if abs(utc_s - before_s - self._difference_s) < PUT_ASIDE_S:
            return utc_s - before_s  # as nearly always, and needed twice a second
        after_s = self._clock.monotonic_s()
        return min(max(self._difference_s, utc_s - after_s), utc_s - before_s)

    def _disturbed(self, said: str) -> None:
        self.said = said
        self.disturbed_at_s = self._clock.monotonic_s()
        self.disturbed.set()
