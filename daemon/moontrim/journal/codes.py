"""Tracking and keying as small numbers. What a number means is in the file itself, so that an old
journal keeps its meaning when a later version knows other states."""

from __future__ import annotations

import sqlite3
from enum import StrEnum

from moontrim.keying.sequence import Phase
from moontrim.state.snapshot import Tracking

KINDS: dict[str, type[StrEnum]] = {"tracking": Tracking, "keying": Phase}


def codes_of(conn: sqlite3.Connection) -> dict[str, dict[str, int]]:
    """By kind, the code of every state in this file; those it did not know are added to it."""
    codes: dict[str, dict[str, int]] = {}
    for kind, states in KINDS.items():
        rows = conn.execute("SELECT text, code FROM names WHERE kind = ?", (kind,))
        known = codes[kind] = dict(rows.fetchall())
        for state in states:
            if state.value not in known:
                known[state.value] = max(known.values(), default=-1) + 1
                conn.execute(
                    "INSERT INTO names VALUES (?, ?, ?)", (kind, known[state.value], state.value)
                )
    return codes
