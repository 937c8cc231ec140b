"""How long the radio takes for a look and for a set of one or of two dials, measured as it goes."""

from __future__ import annotations

from collections import deque
from statistics import median

REMEMBERED = 9  # durations; chosen: some seconds' worth, odd so that the median is one of them
LONGEST_LEAD_S = 0.25  # chosen: at 24 GHz the ideal dial moves by less than 2 Hz meanwhile
BUSY_SHARE = 0.7  # share of the time that steps may take up; chosen: leaves room for looks


class Durations:
    """The median durations of looks and sets in seconds; 0 as long as none was measured."""

    def __init__(self) -> None:
        # By how many dials are set; a look sets none.
        self._measured: dict[int, deque[float]] = {n: deque(maxlen=REMEMBERED) for n in (0, 1, 2)}
        self._median_s: dict[int, float] = {}

    def looked(self, duration_s: float) -> None:
        """Takes over how long a look took."""
        self.was_set(0, duration_s)

    def was_set(self, dials: int, duration_s: float) -> None:
        """Takes over how long it took to set that many dials."""
        self._measured[dials].append(duration_s)
        self._median_s[dials] = median(self._measured[dials])

    def look_s(self) -> float:
        """Returns how long a look takes."""
        return self._median_s.get(0, 0.0)

    def set_s(self, dials: int = 1) -> float:
        """Returns how long it takes to set that many dials at once; the other number's median until
        there is one."""
        return self._median_s.get(dials, self._median_s.get(3 - dials, 0.0))

    def lead_s(self, dials: int, effect_fraction: float) -> float:
        """Returns how far ahead of its instant a set goes out: the part of its duration before the
        dial moves."""
        return min(LONGEST_LEAD_S, effect_fraction * self.set_s(dials))

    def steps_per_s(self, *limits: float | None) -> float:
        """Returns how many single-dial steps a second the radio can keep up with, at most the
        lowest of the limits."""
        measured = [BUSY_SHARE / self.set_s()] if self.set_s() > 0.0 else []
        return min([*measured, *(limit for limit in limits if limit is not None)], default=1000.0)
