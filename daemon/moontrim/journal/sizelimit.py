"""Drops the oldest sessions, so that the journal never grows beyond its size.

In small steps, one after each commit, so that neither the log nor the time a commit takes grows. A
session loses its row first, so that readers no longer find it, then its seconds. When only the
present one is left, its oldest hour goes."""

from __future__ import annotations

import sqlite3

from moontrim.journal.opening import LOG_BYTES

RESERVE_BYTES = 2 * LOG_BYTES  # of the limit: for the log, and what one step adds to it
SECONDS_A_STEP = 3600  # chosen: about 250 kB, a quarter of the log
DROP_UNUSED_CONTEXTS = (
    "DELETE FROM contexts WHERE session_id = ? AND id < "
    "(SELECT context_id FROM seconds_raw WHERE session_id = ? AND utc_s = ?)"
)
PAGES_A_STEP = 200  # chosen: 800 kB given back to the disk; the rest is left for the next step


def drop_oldest(conn: sqlite3.Connection, present_id: int, max_bytes: int) -> None:
    """Takes one step, if the file is at its limit. Raises sqlite3.Error."""
    limit = (max_bytes - RESERVE_BYTES) // _number(conn, "page_size")
    pages = _number(conn, "page_count")
    if pages <= limit:
        return
    if pages - _number(conn, "freelist_count") > limit:
        _drop(conn, present_id)
    # By `executescript`, since `execute` stops after the first page.
    conn.executescript(f"PRAGMA incremental_vacuum({PAGES_A_STEP})")


def _number(conn: sqlite3.Connection, pragma: str) -> int:
    """Returns the value of a pragma."""
    return int(conn.execute(f"PRAGMA {pragma}").fetchone()[0])


def _drop(conn: sqlite3.Connection, present_id: int) -> None:
    """Drops part of the oldest session of which there are seconds."""
    (oldest_id,) = conn.execute("SELECT min(session_id) FROM seconds_raw").fetchone()
    if oldest_id is None:
        return
    conn.execute("BEGIN IMMEDIATE")
    if oldest_id != present_id:
        _drop_up_to(conn, oldest_id)
    else:
        _shorten(conn, present_id)
    conn.execute("COMMIT")


def _drop_up_to(conn: sqlite3.Connection, oldest_id: int) -> None:
    """Drops the oldest session, but of its seconds only as many as a step takes."""
    conn.execute("DELETE FROM sessions WHERE id <= ?", (oldest_id,))
    for table in ("contexts", "steps_raw", "keying_edges", "commands", "faults", "budgets"):
        conn.execute(f"DELETE FROM {table} WHERE session_id <= ?", (oldest_id,))  # noqa: S608
    cut_utc_s = _nth_second(conn, oldest_id, SECONDS_A_STEP)
    if cut_utc_s is None:
        conn.execute("DELETE FROM seconds_raw WHERE session_id = ?", (oldest_id,))
    else:
        _delete_before(conn, "seconds_raw", "utc_s", oldest_id, cut_utc_s)


def _shorten(conn: sqlite3.Connection, present_id: int) -> None:
    """Drops the oldest hour of the present session, or half of it if that is shorter."""
    query = "SELECT count(*) FROM seconds_raw WHERE session_id = ?"
    (seconds,) = conn.execute(query, (present_id,)).fetchone()
    cut_utc_s = _nth_second(conn, present_id, min(SECONDS_A_STEP, seconds // 2))
    if cut_utc_s is None:
        return
    for table, column in (
        ("seconds_raw", "utc_s"),
        ("steps_raw", "utc_s"),
        ("keying_edges", "at_utc_s"),
        ("commands", "at_utc_s"),
        ("budgets", "at_utc_s"),
        ("faults", "to_utc_s"),
    ):
        _delete_before(conn, table, column, present_id, cut_utc_s)
    conn.execute(DROP_UNUSED_CONTEXTS, (present_id, present_id, cut_utc_s))


def _nth_second(conn: sqlite3.Connection, session_id: int, n: int) -> int | None:
    """Returns the UTC second of the n-th row of a session, from 0; None if there is none."""
    query = "SELECT utc_s FROM seconds_raw WHERE session_id = ? ORDER BY utc_s LIMIT 1 OFFSET ?"
    row = conn.execute(query, (session_id, n)).fetchone()
    return None if row is None else int(row[0])


def _delete_before(
    conn: sqlite3.Connection, table: str, column: str, session_id: int, utc_s: int
) -> None:
    """Deletes the rows of a session that are older than an instant."""
    conn.execute(
        f"DELETE FROM {table} WHERE session_id = ? AND {column} < ?",  # noqa: S608 (our own names)
        (session_id, utc_s),
    )
