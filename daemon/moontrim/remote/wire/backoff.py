"""How long to wait before trying again, and whether there is anything new to say about why. Shared
by everything here that comes back by itself."""

from __future__ import annotations

import random

FIRST_S, LONGEST_S = 0.5, 15.0


class Backoff:
    """Twice as long each time up to a limit, with jitter, so that many who lost the same broker do
    not all come back at once."""

    def __init__(self) -> None:
        self._next_s = FIRST_S
        self._reason: str | None = None

    def next_s(self) -> float:
        wait_s = self._next_s * random.uniform(0.8, 1.2)
        self._next_s = min(LONGEST_S, self._next_s * 2.0)
        return min(LONGEST_S, wait_s)

    def news(self, reason: str) -> bool:
        """Is this another reason than last time? Then it is worth a line in the log."""
        before, self._reason = self._reason, reason
        return before != reason

    def reset(self) -> None:
        self._next_s, self._reason = FIRST_S, None
