"""Opens a journal for reading only, also while a daemon writes it."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from moontrim.errors import InputError, not_found, reason_of
from moontrim.journal.schema import APPLICATION_ID, VERSION

PATIENCE_S = 5.0  # chosen: for the moments in which the writer locks the file
# UnicodeError: a message of SQLite quotes damaged bytes that are not UTF-8.
DAMAGED = (sqlite3.Error, UnicodeError)


@dataclass(frozen=True, slots=True)
class SessionRow:
    """One session. ended_utc_s: None while it lasts, or after a daemon was killed until the
    next one ends its session. station: what the config said about the station."""

    id: int
    began_utc_s: float
    ended_utc_s: float | None
    version: str
    station: dict[str, Any]


def open_journal(path: Path) -> sqlite3.Connection:
    """Returns a connection that cannot write, with rows by name or number. Close it soon, since the
    writer cannot shorten its log meanwhile. Raises InputError if there is no journal, or none that
    this version can read."""
    field, value = "journal", str(path)
    try:
        if not path.is_file():
            raise not_found(field, path)
        conn = _connected(path)
    except (OSError, *DAMAGED) as error:
        raise InputError(
            field, value, problem=f"cannot read {value} ({reason_of(error)})"
        ) from None
    try:
        (application,) = conn.execute("PRAGMA application_id").fetchone()
        (version,) = conn.execute("PRAGMA user_version").fetchone()
        if application != APPLICATION_ID:
            raise InputError(field, value, problem=f"{value} is not a journal of moontrim")
        if version != VERSION:
            raise InputError(
                field,
                value,
                problem=f"{value} has version {version}; this moontrim reads version {VERSION}",
            )
    except DAMAGED as error:
        conn.close()
        raise InputError(
            field, value, problem=f"{value} is not a journal of moontrim ({reason_of(error)})"
        ) from None
    except InputError:
        conn.close()
        raise
    return conn


def _connected(path: Path) -> sqlite3.Connection:
    """Returns a connection that has been tried. In a folder where this user may not write, SQLite
    cannot create its log beside the file; a journal whose daemon has ended in order is complete
    without it, and is opened as `immutable`."""
    address = f"file:{quote(str(path.absolute()))}?mode=ro"
    conn = _opened(address)
    try:
        conn.execute("SELECT 1 FROM sqlite_schema").fetchone()
    except sqlite3.OperationalError as error:
        conn.close()
        log = path.with_name(path.name + "-wal")
        not_ours = error.sqlite_errorcode & 0xFF in (
            sqlite3.SQLITE_CANTOPEN,
            sqlite3.SQLITE_READONLY,
        )
        if not not_ours or (log.exists() and log.stat().st_size > 0):
            raise
        return _opened(address + "&immutable=1")
    except DAMAGED:
        conn.close()
        raise
    return conn


def _opened(address: str) -> sqlite3.Connection:
    """Returns a connection to a database by its URI."""
    conn = sqlite3.connect(address, uri=True, timeout=PATIENCE_S)
    conn.row_factory = sqlite3.Row
    return conn


def sessions(conn: sqlite3.Connection) -> list[SessionRow]:
    """All sessions, the oldest first. Raises InputError for a damaged file."""
    query = "SELECT id, began_utc_s, ended_utc_s, version, station_json FROM sessions ORDER BY id"
    try:
        return [
            SessionRow(id_, began_utc_s, ended_utc_s, version, json.loads(station))
            for id_, began_utc_s, ended_utc_s, version, station in conn.execute(query)
        ]
    except (sqlite3.Error, ValueError, TypeError, RecursionError) as error:
        raise InputError("journal", None, problem=f"damaged ({reason_of(error)})") from None
