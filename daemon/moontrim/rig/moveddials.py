"""What has moved the dials off where they were left, as far as two looks at the radio can tell.
Pure but for the instants it is given (monotonic seconds).

    receive dial alone        turned by hand, perhaps still being turned, or the first of two sets
                              of another program: judged once two looks CONFIRM_S apart agree;
                              each change until then is reported as well
    one onto the other, both  A and B exchanged, or copied, on the front panel or by a program
    exchanged
    transmit dial, or both    no turn of the receive dial: judged at once
"""

from __future__ import annotations

from dataclasses import replace

from moontrim.rig.view import DialMoved, DialTurning
from moontrim.tuning.steps import DialName

# Chosen: longer than the half second that a rig-control server in plain mode needs between the sets
# of two dials; with the wait for the first look, an operator's turn counts after about a second.
CONFIRM_S = 0.6
# Chosen: a dial that took longer than this to rest must rest twice as long, or a program that sets
# it several times a second would be taken for a hand between two of its steps.
SLOW_S = 1.0
EXCHANGED = "A and B were exchanged on the radio; exchange them back"

Standing = dict[DialName, int]


def exchanged(before: Standing, now: Standing, close_hz: int) -> bool:
    """Returns whether A and B of a radio were exchanged, or one copied to the other. close_hz: what
    still counts as equal, since a dial may have taken a step meanwhile."""
    if "tx" not in now or "tx" not in before:
        return False
    moved = [which for which in now if now[which] != before.get(which)]
    if abs(before["rx"] - before["tx"]) <= 2 * close_hz:
        return False  # they stood together: nothing to tell it by, and next to nothing to lose
    if len(moved) == 1:
        return abs(now["rx"] - now["tx"]) <= close_hz
    crossed = (now["rx"] - before["tx"], now["tx"] - before["rx"])
    return all(abs(off_hz) <= close_hz for off_hz in crossed)


class MovedDials:
    """The dials that are not where they were left, until it is known what moved them.

    placed: the dials have been set where they belong, for what is wanted now."""

    def __init__(self) -> None:
        self.placed = False
        self._before: Standing = {}
        self._began_s = self._agreed_since_s = 0.0

    def forget(self) -> None:
        """Forgets them: the dials are to be set elsewhere now."""
        self._before, self.placed = {}, False

    @property
    def waiting(self) -> bool:
        """Is another look needed? Until then no dial may be set."""
        return bool(self._before)

    @property
    def due_s(self) -> float:
        """When that look is due; infinite if none is needed."""
        if not self._before:
            return float("inf")
        slowly = self._agreed_since_s - self._began_s > SLOW_S
        return self._agreed_since_s + (2 if slowly else 1) * CONFIRM_S

    def judge(
        self, before: Standing, now: Standing, now_s: float, close_hz: int
    ) -> list[DialMoved] | list[DialTurning]:
        """Returns what is known by now to have moved. before: where the dials were left, or the
        last look showed them; now: where this one does."""
        changed = before != now
        if changed:
            self._began_s = self._began_s if self._before else now_s
            self._before = self._before or before
            self._agreed_since_s = now_s
        if not self._before:
            return []
        since = self._before
        moved = [which for which in since if now.get(which, since[which]) != since[which]]
        if moved == ["rx"] and now_s < self.due_s:
            return [DialTurning(before["rx"], now["rx"])] if changed else []
        self._before = {}
        together = len(moved) > 1
        events = [
            DialMoved(which, since[which], now[which], together=together, placed=self.placed)
            for which in moved
        ]
        if events and exchanged(since, now, close_hz):
            return [replace(events[0], together=False, exchanged=True)]
        return events
