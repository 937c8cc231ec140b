"""One line of the pre-flight list."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

Level = Literal["ok", "note", "fail"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One line. level: ok, worth a note, or a failure. what: its subject. text: what was found and,
    unless ok, what to do."""

    level: Level
    what: str
    text: str

    def as_json(self) -> dict[str, Any]:
        """Returns the fields as values for JSON."""
        return asdict(self)
