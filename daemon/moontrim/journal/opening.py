"""The file of a journal: made, checked, opened to write, or set aside.

A file that cannot be used (of a newer version, damaged, something else under its name) is renamed
with the time, together with SQLite's log beside it, and a fresh one begun. None is ever deleted.

SQLite runs with a write-ahead log and `synchronous=FULL`: a commit is on the disk when it returns,
at the price of one sync. `NORMAL` would save that sync and lose, on a power cut, all since the last
checkpoint, which is minutes. The log goes into the main file a megabyte at a time, in the writing
thread; readers and the writer do not wait for each other."""

from __future__ import annotations

import fcntl
import logging
import os
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

from moontrim.journal.schema import APPLICATION_ID, NAME, TABLES, VERSION

log = logging.getLogger(__name__)

LOG_PAGES = 250  # of 4096 bytes: the write-ahead log is emptied into the file at this length
LOG_BYTES = LOG_PAGES * 4096
CACHE_PAGES = 64  # what is written is not read again; SQLite's 2 MB would fill up all night
PATIENCE_S = 2.0  # for a reader that tidies up after a crash

BESIDE = ("", "-wal", "-shm")


class UnusableFileError(Exception):
    """What lies under the journal's name cannot be a journal of ours."""


class OtherWriterError(Exception):
    """Another process writes this journal."""


def lock(folder: Path) -> int:
    """A descriptor that holds the right to write the journal of this folder; closing it gives it
    back. Raises OtherWriterError, OSError."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    descriptor = os.open(folder / (NAME + ".lock"), os.O_RDWR | os.O_CREAT, 0o600)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)
        raise OtherWriterError("another moontrim writes it") from None
    return descriptor


def open_to_write(folder: Path, utc_s: float, *, check: bool) -> sqlite3.Connection:
    """A connection to the journal of a folder, made if need be. utc_s: now, for the name of a file
    set aside. check: look at the whole file. Raises OSError, sqlite3.Error."""
    path = folder / NAME
    try:
        return _opened(path, check=check)
    except UnusableFileError as error:
        reason = str(error)
    except sqlite3.DatabaseError as error:
        if not (is_damage(error) or _is_unknown_format(error)):
            raise
        reason = str(error)
    except UnicodeError as error:  # SQLite quotes damage that is no text
        reason = str(error)
    set_aside(path, utc_s, reason)
    return _opened(path, check=False)


def is_damage(error: sqlite3.Error) -> bool:
    """Does it say that the file is none, or no longer one?"""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    return code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def _is_unknown_format(error: sqlite3.Error) -> bool:
    """A damaged header can pass for that of a later SQLite, which has no code of its own."""
    return getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_ERROR


def set_aside(path: Path, utc_s: float, reason: str) -> Path:
    """Rename a journal out of the way; where to. Raises OSError."""
    stamp = datetime.fromtimestamp(utc_s, UTC).strftime("%Y%m%dT%H%M%SZ")
    aside, n = path.with_name(f"{path.name}.unusable-{stamp}"), 1
    while aside.exists():
        n += 1
        aside = path.with_name(f"{path.name}.unusable-{stamp}-{n}")
    for ending in BESIDE:
        beside = path.with_name(path.name + ending)
        if beside.exists():
            beside.rename(aside.with_name(aside.name + ending))
    log.warning(
        "journal %s cannot be used (%s); kept as %s, a fresh one begins", path, reason, aside
    )
    return aside


def _opened(path: Path, *, check: bool) -> sqlite3.Connection:
    # Made here, for its mode; and a disk that refuses says why more clearly than SQLite does.
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    os.fchmod(descriptor, 0o600)
    os.close(descriptor)
    conn = sqlite3.connect(path, timeout=PATIENCE_S, isolation_level=None)
    try:
        _prepare(conn, check=check)
    except BaseException:
        conn.close()
        raise
    return conn


def _prepare(conn: sqlite3.Connection, *, check: bool) -> None:
    (empty,) = conn.execute("SELECT count(*) = 0 FROM sqlite_schema").fetchone()
    if empty:
        conn.execute("PRAGMA auto_vacuum = INCREMENTAL")  # not possible once there is a table
    else:
        _examine(conn, check=check)
    (mode,) = conn.execute("PRAGMA journal_mode = WAL").fetchone()
    if mode != "wal":
        raise sqlite3.OperationalError(f"this file system allows no write-ahead log, only {mode}")
    conn.execute("PRAGMA synchronous = FULL")
    conn.execute(f"PRAGMA cache_size = {CACHE_PAGES}")
    conn.execute(f"PRAGMA wal_autocheckpoint = {LOG_PAGES}")
    conn.execute(f"PRAGMA journal_size_limit = {LOG_BYTES}")
    if empty:
        _make(conn)


def _examine(conn: sqlite3.Connection, *, check: bool) -> None:
    (application,) = conn.execute("PRAGMA application_id").fetchone()
    (version,) = conn.execute("PRAGMA user_version").fetchone()
    if application != APPLICATION_ID:
        raise UnusableFileError("it is something else")
    if version != VERSION:
        raise UnusableFileError(f"its version is {version}, this moontrim writes {VERSION}")
    if check:
        (verdict,) = conn.execute("PRAGMA quick_check(1)").fetchone()
        if verdict != "ok":
            raise UnusableFileError(f"damaged: {verdict}")


def _make(conn: sqlite3.Connection) -> None:
    """All in one transaction, so that a power cut leaves all of it or an empty file."""
    conn.execute("BEGIN IMMEDIATE")
    for statement in TABLES:
        conn.execute(statement)
    conn.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    conn.execute(f"PRAGMA user_version = {VERSION}")
    conn.execute("COMMIT")
