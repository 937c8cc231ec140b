"""Notices steps of the clock and suspensions of the machine, by comparing UTC with the monotonic
clock, and that with the clock that continues during a suspension."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable

from moontrim.clock.system import Clock

AGREE_S = 1e-3  # the process cannot have been descheduled between two readings that agree so well
STEP_S = 0.05  # chosen: costs 0.1 Hz at 10 GHz; slewing moves both clocks alike
SLEPT_S = 0.5  # shorter than any suspension; longer than a busy machine takes to read two clocks
SETTLED_S = 10.0  # chosen: a clock that has stepped is not trusted for transmitting for so long


def never_suspended() -> float:
    """Returns the suspended time of a machine that is never suspended."""
    return 0.0


class ClockWatch:
    """Watches for steps and suspensions.

    suspended_s: returns for how long the machine has been suspended since its start, in total.
    last_event: a phrase for the last step or suspension; empty: none yet. disturbed_at_s: when it
    was noticed, monotonic. disturbed: set each time; the task that waits for it clears it."""

    def __init__(self, clock: Clock, suspended_s: Callable[[], float] = never_suspended) -> None:
        self.last_event = ""
        self.disturbed_at_s = -math.inf
        self.disturbed = asyncio.Event()
        self._clock = clock
        self._suspended_s = suspended_s
        self._difference_s = clock.utc_s() - clock.monotonic_s()
        self._slept_s = suspended_s()

    def step_s(self) -> float:
        """Returns by how much UTC has stepped since the last call; 0 if it has not. A suspension is
        a step too, because the monotonic clock stands still meanwhile: see `last_event`."""
        difference_s = self._utc_minus_monotonic_s()
        step_s = difference_s - self._difference_s
        self._difference_s = difference_s
        slept_s = self._suspended_s() - self._slept_s
        if slept_s >= SLEPT_S:
            self._slept_s += slept_s
            self._record(f"machine suspended for {slept_s:.0f} s")
            return step_s
        if abs(step_s) < STEP_S:
            return 0.0
        self._record(f"clock stepped by {step_s:+.3f} s")
        return step_s

    def doubt(self) -> str:
        """Returns why the clock is not trusted now; empty if it is. Also covers what happened since
        the last call of `step_s`."""
        if self._suspended_s() - self._slept_s >= SLEPT_S:
            return "machine just resumed from suspend"
        if abs(self._utc_minus_monotonic_s() - self._difference_s) >= STEP_S:
            return "clock just stepped"
        if self.last_event and self._clock.monotonic_s() - self.disturbed_at_s < SETTLED_S:
            return f"{self.last_event} less than {SETTLED_S:.0f} s ago"
        return ""

    def _utc_minus_monotonic_s(self) -> float:
        """Returns UTC minus monotonic time, as close to the last value as the readings allow: a
        process descheduled between two readings must not take that for a step."""
        before_s = self._clock.monotonic_s()
        utc_s = self._clock.utc_s()
        if abs(utc_s - before_s - self._difference_s) < AGREE_S:
            return utc_s - before_s  # the usual case; saves a reading
        after_s = self._clock.monotonic_s()
        return min(max(self._difference_s, utc_s - after_s), utc_s - before_s)

    def _record(self, event: str) -> None:
        self.last_event = event
        self.disturbed_at_s = self._clock.monotonic_s()
        self.disturbed.set()
