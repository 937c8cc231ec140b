"""Commands and their outcomes, on the way from the tracker to the journal and to the phones.

Bounded and never waiting: the newest notes stay in memory, and each reader remembers how far it has
read."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from itertools import islice
from typing import NamedTuple

CAPACITY = 1000  # chosen: minutes of a fast knob; readers take them every second


class CommandNote(NamedTuple):
    """One command. by: who gave it. outcome: 'done', or why it was refused."""

    at_utc_s: float
    by: str
    what: str
    outcome: str


class CommandLog:
    """The latest notes. utc_s: reads the clock, in POSIX seconds. count: of all notes so far."""

    def __init__(self, utc_s: Callable[[], float]) -> None:
        self._utc_s = utc_s
        self._notes: deque[CommandNote] = deque(maxlen=CAPACITY)
        self.count = 0

    def note(self, by: str, what: str, outcome: str = "done") -> None:
        """Adds a note of now."""
        self._notes.append(CommandNote(self._utc_s(), by, what, outcome))
        self.count += 1

    def after(self, count: int) -> list[CommandNote]:
        """Returns the notes after the first `count`, the oldest first; of those only the latest
        CAPACITY."""
        new = min(self.count - count, len(self._notes))
        return list(islice(self._notes, len(self._notes) - new, None))
