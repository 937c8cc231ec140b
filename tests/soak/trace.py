"""What happened in a run, in order: a hash of everything, and the last lines."""

from __future__ import annotations

import hashlib
from array import array
from collections import Counter, deque

MOST_LINES = 40


class Trace:
    """counts: of checks and actions, by name."""

    def __init__(self) -> None:
        self.last: deque[str] = deque(maxlen=MOST_LINES)
        self.counts: Counter[str] = Counter()
        self._hash = hashlib.sha256()
        self._waiting: list[str] = []  # to be hashed: by the thousand that costs next to nothing
        self._ticks = array("d")

    def say(self, at_s: float, text: str) -> None:
        line = f"{at_s:.6f} {text}"
        self.last.append(line)
        self.add(line)

    def add(self, text: str) -> None:
        """Counts for the hash only."""
        self._waiting.append(text)
        if len(self._waiting) > 4096:
            self._hash_them()

    def tick(self, utc_s: float, number: int) -> None:
        """What comes every second, likewise."""
        self._ticks.append(utc_s)
        self._ticks.append(number)

    def digest(self) -> str:
        self._hash_them()
        return self._hash.hexdigest()

    def _hash_them(self) -> None:
        self._hash.update("\n".join(self._waiting).encode())
        self._waiting.clear()
        self._hash.update(self._ticks.tobytes())
        del self._ticks[:]
