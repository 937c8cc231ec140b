"""Creates, checks and opens the file of a journal for writing, or sets it aside.

A file that cannot be used (of a newer version, damaged, something else under its name) is renamed
with the time, together with SQLite's log beside it, and a new one begun. None is ever deleted.

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

# Chosen: the write-ahead log is emptied into the file at this length, 1 MB in pages of 4096 bytes.
LOG_PAGES = 250
LOG_BYTES = LOG_PAGES * 4096
CACHE_PAGES = 64  # chosen: what is written is not read again; SQLite's 2 MB would fill up all night
PATIENCE_S = 2.0  # chosen: for a reader that recovers the file after a crash

BESIDE = ("", "-wal", "-shm")  # the file, and those that SQLite puts beside it


class UnusableFileError(Exception):
    """The file under the journal's name is not a journal that this version can write."""


class OtherWriterError(Exception):
    """Another process writes this journal."""


def lock(folder: Path) -> int:
    """Locks the journal of a folder for writing, until the returned descriptor is closed. Raises
    OtherWriterError, OSError."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    descriptor = os.open(folder / (NAME + ".lock"), os.O_RDWR | os.O_CREAT, 0o600)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)
        raise OtherWriterError("another moontrim writes it") from None
    return descriptor


def open_to_write(folder: Path, utc_s: float, *, check: bool) -> sqlite3.Connection:
    """Returns a connection to the journal of a folder, which is created if need be. utc_s: now, for
    the name of a file set aside. check: the whole file. Raises OSError, sqlite3.Error."""
    path = folder / NAME
    try:
        return _opened(path, check=check)
    except UnusableFileError as error:
        reason = str(error)
    except sqlite3.DatabaseError as error:
        if not (is_damage(error) or _is_unknown_format(error)):
            raise
        reason = str(error)
    except UnicodeError as error:  # a message of SQLite quotes damaged bytes that are not UTF-8
        reason = str(error)
    set_aside(path, utc_s, reason)
    return _opened(path, check=False)


def is_damage(error: sqlite3.Error) -> bool:
    """Does the error mean that the file is damaged, or not a database at all?"""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    return code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def _is_unknown_format(error: sqlite3.Error) -> bool:
    """Does the error mean an unknown format? A damaged header can look like that of a later SQLite,
    for which there is no code of its own."""
    return getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_ERROR


def set_aside(path: Path, utc_s: float, reason: str) -> Path:
    """Renames a journal out of the way and returns its new path. Raises OSError."""
    stamp = datetime.fromtimestamp(utc_s, UTC).strftime("%Y%m%dT%H%M%SZ")
    aside, n = path.with_name(f"{path.name}.unusable-{stamp}"), 1
    while aside.exists():
        n += 1
        aside = path.with_name(f"{path.name}.unusable-{stamp}-{n}")
    for ending in BESIDE:
        beside = path.with_name(path.name + ending)
        if beside.exists():
            beside.rename(aside.with_name(aside.name + ending))
    log.warning("journal %s unusable (%s); renamed to %s, starting a new one", path, reason, aside)
    return aside


def _opened(path: Path, *, check: bool) -> sqlite3.Connection:
    """Returns a connection to the file, which is created if need be."""
    # Created here for its mode; and the error of a disk that refuses is clearer than SQLite's.
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
    """Examines the file, sets the connection up, and creates the tables in an empty file."""
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
    """Raises UnusableFileError for another program's file, another version, or damage."""
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
    """Creates the tables in one transaction, so that a power cut leaves all or an empty file."""
    conn.execute("BEGIN IMMEDIATE")
    for statement in TABLES:
        conn.execute(statement)
    conn.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    conn.execute(f"PRAGMA user_version = {VERSION}")
    conn.execute("COMMIT")
