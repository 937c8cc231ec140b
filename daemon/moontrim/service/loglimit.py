"""Limit on log lines of one kind: a radio that fails ten times a second must not wear out a memory
card, or push everything else out of the journal. Pure."""

from __future__ import annotations

import logging
import re
from dataclasses import dataclass

MOST, WINDOW_S = 5, 60.0  # chosen: the start of a series shows what is wrong
MOST_KINDS = 500  # chosen: more kinds than the program has; beyond that they count as one
_PLACEHOLDER = re.compile(r"%[-+ #0]*\d*(?:\.\d+)?[a-z%]")
_OTHER = "other lines"


@dataclass(slots=True)
class _Count:
    """The lines of one kind in a window that began at began_s."""

    began_s: float
    lines: int = 0


class LogLimit:
    """Admits at most `most` lines of a kind in each `window_s` from the first of them."""

    def __init__(self, most: int = MOST, window_s: float = WINDOW_S) -> None:
        self._most = most
        self._window_s = window_s
        self._counts: dict[str, _Count] = {}

    def admits(self, kind: str, now_s: float) -> bool:
        """Counts a line and returns whether it may be written."""
        if kind not in self._counts and len(self._counts) >= MOST_KINDS:
            kind = _OTHER
        count = self._counts.setdefault(kind, _Count(now_s))
        count.lines += 1
        return count.lines <= self._most

    def expired(self, now_s: float) -> list[tuple[str, int]]:
        """Returns the kinds with suppressed lines, and how many, for the windows that are over."""
        over = [k for k, count in self._counts.items() if now_s - count.began_s >= self._window_s]
        counts = [(kind, self._counts.pop(kind).lines - self._most) for kind in over]
        return [(kind, suppressed) for kind, suppressed in counts if suppressed > 0]


def kind_of(record: logging.LogRecord) -> str:
    """Returns the template of a line; if that is placeholders only, its text without numbers."""
    template = str(record.msg)
    if any(character.isalpha() for character in _PLACEHOLDER.sub("", template)):
        return template
    return re.sub(r"\d+(?: \d{3})*", "#", record.getMessage())
