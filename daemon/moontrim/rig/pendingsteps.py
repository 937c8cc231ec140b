"""Where the dials of a radio stand, and the steps they are still to take. Pure: knows instants and
hertz, neither radio nor clock."""

from __future__ import annotations

import math
from collections.abc import Iterable

from moontrim.tuning.steps import DialName, Plan, Step

TOGETHER_S = 0.002  # steps this close share one command


class DialSteps:
    """standing: where each dial is, in Hz; none for one of which that is not known."""

    def __init__(self) -> None:
        self.standing: dict[DialName, int] = {}
        self._coming: list[Step] = []

    def put(self, plan: Plan, *, at_once: bool) -> None:
        """Take over a plan. Steps of the one before it stay until it begins, unless at_once."""
        kept = [] if at_once else [s for s in self._coming if s.at_utc_s < plan.start_utc_s]
        self._coming = kept + list(plan.steps)

    def drop(self) -> None:
        """The dials stay where they are."""
        self._coming = []

    def forget(self) -> None:
        """Where the dials stand as well."""
        self.standing.clear()
        self._coming = []

    def __bool__(self) -> bool:
        """Are there any?"""
        return bool(self._coming)

    @property
    def next_utc_s(self) -> float:
        """When the next is due; infinite if there is none."""
        return self._coming[0].at_utc_s if self._coming else math.inf

    @property
    def settled(self) -> bool:
        """Does every dial stand where all of them lead?"""
        return not self._elsewhere(self._coming)

    def overdue(self, utc_s: float) -> bool:
        """Does a dial stand elsewhere than it ought to by now?"""
        return self._elsewhere(step for step in self._coming if step.at_utc_s <= utc_s)

    def _elsewhere(self, steps: Iterable[Step]) -> bool:
        for step in steps:  # noqa: SIM110 (every second, and twice as fast)
            if step.dial_hz != self.standing.get(step.which):
                return True
        return False

    def drop_taken(self) -> bool:
        """A plan begins with what ought to stand already: that needs neither look nor set. Were
        there any such?"""
        dropped = False
        while self._coming and not self._elsewhere(self._coming[:1]):
            self._coming.pop(0)
            dropped = True
        return dropped

    def together(self) -> int:
        """How many dials the next command sets."""
        soon_s = self.next_utc_s + TOGETHER_S
        return len({step.which for step in self._coming[:4] if step.at_utc_s <= soon_s})

    def take(self, until_utc_s: float) -> dict[DialName, int]:
        """Where dials are to be set that ought to be elsewhere by then; those steps are gone."""
        due: dict[DialName, int] = {}
        while self._coming and self._coming[0].at_utc_s <= until_utc_s:
            step = self._coming.pop(0)
            due[step.which] = step.dial_hz  # of several for one dial the newest counts
        return {which: hz for which, hz in due.items() if self.standing.get(which) != hz}
