"""The list of the sessions in a journal."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from moontrim.report.recorded import damage_named
from moontrim.state.snapshot import Tracking

QUERY = """
    SELECT
        sessions.id,
        sessions.began_utc_s,
        sessions.ended_utc_s,
        coalesce(max(seconds.utc_s) + 1 - min(seconds.utc_s), 0),
        coalesce(sum(seconds.tracking IN (SELECT code FROM names WHERE kind = 'tracking'
                                          AND text = ?)), 0),
        (SELECT group_concat(band, char(10))
         FROM (SELECT DISTINCT band FROM contexts WHERE session_id = sessions.id ORDER BY band))
    FROM sessions LEFT JOIN seconds ON seconds.session_id = sessions.id
    GROUP BY sessions.id ORDER BY sessions.id"""


@dataclass(frozen=True)
class Listed:
    """One session of the list. ended_utc_s: None while it runs, or if it never ended in order.
    duration_s: from its first recorded second to its last, 0 if there is none."""

    id: int
    began_utc_s: float
    ended_utc_s: float | None
    duration_s: int
    on_frequency_s: int
    bands: tuple[str, ...]


def list_sessions(connection: sqlite3.Connection) -> list[Listed]:
    """Returns all sessions, the oldest first. Raises InputError for a damaged file."""
    with damage_named():
        return [
            Listed(
                int(row[0]),
                float(row[1]),
                None if row[2] is None else float(row[2]),
                int(row[3]),
                int(row[4]),
                tuple(str(row[5]).split("\n")) if row[5] else (),
            )
            for row in connection.execute(QUERY, (Tracking.ON_FREQUENCY.value,))
        ]
