"""Who asked for what, and what became of it: from the tracker to the journal.

Bounded and never waiting; where nobody takes them, the newest notes stay and no harm is done."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import NamedTuple

CAPACITY = 1000


class CommandNote(NamedTuple):
    """outcome: 'done', or why it was refused."""

    at_utc_s: float
    by: str
    what: str
    outcome: str


class CommandLog:
    """utc_s: what reads the clock, in POSIX seconds."""

    def __init__(self, utc_s: Callable[[], float]) -> None:
        self._utc_s = utc_s
        self._notes: deque[CommandNote] = deque(maxlen=CAPACITY)

    def note(self, by: str, what: str, outcome: str = "done") -> None:
        """Remember that `by` asked for `what` just now."""
        self._notes.append(CommandNote(self._utc_s(), by, what, outcome))

    def take(self) -> list[CommandNote]:
        """Those not taken yet, the oldest first."""
        notes = list(self._notes)
        self._notes.clear()
        return notes
