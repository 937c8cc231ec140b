"""Where the dials of a radio stand, the steps they are still to take, and what a read-back says of
both. Pure: knows instants and hertz, neither radio nor clock."""

from __future__ import annotations

import math
from collections.abc import Iterable

from moontrim.formats import grouped
from moontrim.rig.view import DialMoved
from moontrim.tuning.steps import DialName, Plan, Step
from moontrim_drivers.contract import RigState

TOGETHER_S = 0.002  # steps this close share one command; chosen: far below the duration of one
ROUNDED_HZ = 100  # the coarsest steps of radios under rig control; common practice


def dials_hz(rig: RigState) -> dict[DialName, int | None]:
    """Returns the dials of a read-back by name; None for one that the radio does not have."""
    return {"rx": rig.rx_dial_hz, "tx": rig.tx_dial_hz}


def not_as_set(
    wanted: dict[DialName, int], before: dict[DialName, int], shown: dict[DialName, int | None]
) -> list[DialName]:
    """Returns the dials whose set the radio has ignored or rounded. One that is further off than
    rounding explains was turned by hand, and is not among them."""
    ignored: list[DialName] = []
    for which, wanted_hz in wanted.items():
        shown_hz = shown[which]
        if shown_hz is None or shown_hz == wanted_hz:
            continue
        if shown_hz == before.get(which) or abs(shown_hz - wanted_hz) <= ROUNDED_HZ:
            ignored.append(which)
    return ignored


def readback_problem(which: DialName, wanted_hz: int, shown_hz: int | None) -> str:
    """Returns the text for a dial that is not as it was set, with the remedy."""
    shown = "none" if shown_hz is None else f"{grouped(shown_hz)} Hz"
    return (
        f"{which} dial was set to {grouped(wanted_hz)} Hz but the radio shows {shown}; "
        "is dial_resolution_hz finer than the radio's own?"
    )


class DialSteps:
    """The steps to come, in order of time.

    standing: where each dial was left, in Hz; without an entry for one of which that is not
    known."""

    def __init__(self) -> None:
        self.standing: dict[DialName, int] = {}
        self._coming: list[Step] = []
        self._latest: dict[DialName, int] = {}  # taken, of a dial that has not been moved since

    def put(self, plan: Plan, *, at_once: bool) -> None:
        """Takes over a plan. Steps of the one before it remain until it begins, unless at_once."""
        before = [] if at_once else [s for s in self._coming if s.at_utc_s < plan.start_utc_s]
        self._coming = before + list(plan.steps)

    def drop(self) -> None:
        """Drops all steps: the dials stay where they are."""
        self._coming = []

    def forget(self) -> None:
        """Drops all steps and forgets where the dials stand."""
        self.standing.clear()
        self._latest.clear()
        self._coming = []

    def accept(self, shown: dict[DialName, int | None]) -> list[DialMoved]:
        """Takes over where a read-back shows the dials; returns those that are not where they were
        left. Then all steps are dropped: they belong to where the dial was, and a dial that is
        being turned by hand is left alone. One that arrives late where it was last set, as servers
        that answer from a cache report it, has not been moved."""
        moved: list[DialMoved] = []
        for which, to_hz in shown.items():
            from_hz = self.standing.get(which)
            if to_hz is None or from_hz is None or to_hz == from_hz:
                continue
            self.standing[which] = to_hz
            if to_hz != self._latest.get(which):
                moved.append(DialMoved(which, from_hz, to_hz))
                self._latest.pop(which, None)
                self.drop()
        return moved

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
        return any(step.dial_hz != self.standing.get(step.which) for step in steps)

    def drop_taken(self) -> bool:
        """Drops the steps at the front that lead to where the dials stand: a plan begins with such,
        and they need neither look nor set. Returns whether there were any."""
        dropped = False
        while self._coming and not self._elsewhere(self._coming[:1]):
            self._coming.pop(0)
            dropped = True
        return dropped

    def together(self) -> int:
        """How many dials the next command sets."""
        soon_s = self.next_utc_s + TOGETHER_S
        return len({step.which for step in self._coming[:4] if step.at_utc_s <= soon_s})

    def take(self, until_utc_s: float) -> dict[DialName, Step]:
        """Takes the steps due by then; returns the last of each dial that stands elsewhere."""
        due: dict[DialName, Step] = {}
        while self._coming and self._coming[0].at_utc_s <= until_utc_s:
            step = self._coming.pop(0)
            due[step.which] = step  # of several for one dial the newest counts
        wanted = {w: step for w, step in due.items() if self.standing.get(w) != step.dial_hz}
        self._latest.update({which: step.dial_hz for which, step in wanted.items()})
        return wanted
