"""Commands and their outcomes, on the way from the tracker to the journal.

Bounded and never waiting: without a journal the newest notes stay in memory."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import NamedTuple

CAPACITY = 1000  # chosen: minutes of a fast knob; the journal takes them every second


class CommandNote(NamedTuple):
    """One command. by: who gave it. outcome: 'done', or why it was refused."""

    at_utc_s: float
    by: str
    what: str
    outcome: str


class CommandLog:
    """The notes not taken yet. utc_s: reads the clock, in POSIX seconds."""

    def __init__(self, utc_s: Callable[[], float]) -> None:
        self._utc_s = utc_s
        self._notes: deque[CommandNote] = deque(maxlen=CAPACITY)

    def note(self, by: str, what: str, outcome: str = "done") -> None:
        """Adds a note of now."""
        self._notes.append(CommandNote(self._utc_s(), by, what, outcome))

    def take(self) -> list[CommandNote]:
        """Removes and returns the notes, the oldest first."""
        notes = list(self._notes)
        self._notes.clear()
        return notes
