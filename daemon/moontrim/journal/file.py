"""One journal as the writing thread uses it: turns batches of records into rows.

Every statement may be executed twice: a batch of which it is unknown whether it was committed is
written again and leads to the same rows. For that, a session, a context, a command and a fault get
their row number here, once and for all.

Tracking and keying states are stored as small numbers, and the table `names` of the same file says
what each means, so that an old journal keeps its meaning when a later version has other states."""

from __future__ import annotations

import contextlib
import math
import os
import sqlite3
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from weakref import WeakKeyDictionary, WeakSet

from moontrim.clock.system import Clock
from moontrim.journal.opening import is_damage, lock, open_to_write, set_aside
from moontrim.journal.records import (
    BudgetEntry,
    CommandRecord,
    ContextRecord,
    FaultRecord,
    KeyingEdge,
    Record,
    Second,
    SessionBegin,
    SessionEnd,
    StepRecord,
    offset_us,
)
from moontrim.journal.schema import NAME, insert
from moontrim.journal.sizelimit import drop_oldest
from moontrim.keying.sequence import Phase
from moontrim.rig.steplog import DialStep
from moontrim.state.snapshot import Tracking

KINDS: dict[str, type[StrEnum]] = {"tracking": Tracking, "keying": Phase}

SESSION, CONTEXT = insert("sessions", 5), insert("contexts", 13)
SECOND = insert("seconds_raw", 18)
SESSION_END = "UPDATE sessions SET ended_utc_s = ? WHERE id = ?"
END_KILLED = (
    "UPDATE sessions SET ended_utc_s = max(began_utc_s, coalesce("
    "(SELECT max(utc_s) + 1 FROM seconds_raw WHERE session_id = :id), began_utc_s)) WHERE id = :id"
)
END_KILLED_FAULTS = (
    "UPDATE faults SET to_utc_s = max(from_utc_s, "
    "(SELECT ended_utc_s FROM sessions WHERE id = :id)) WHERE session_id = :id AND to_utc_s IS NULL"
)
COMMAND, FAULT, BUDGET = insert("commands", 6), insert("faults", 6), insert("budgets", 7)
STEP = insert("steps_raw", 9)
EDGE = insert("keying_edges", 5)
NUMBERED = ("sessions", "contexts", "steps_raw", "keying_edges", "commands", "faults")


def codes_of(conn: sqlite3.Connection) -> dict[str, dict[str, int]]:
    """Returns, by kind, the code of every state in this file, and adds the states it lacks."""
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


def _step(step: DialStep) -> tuple[int | None, ...]:
    """Returns the columns of a step, its instants in microseconds from the second it was sent."""
    second = math.floor(step.sent_utc_s)
    planned, *others = (
        None if utc_s is None else offset_us(utc_s, second)
        for utc_s in (step.planned_utc_s, step.sent_utc_s, step.moved_utc_s, step.confirmed_utc_s)
    )
    return (second, int(step.which == "tx"), step.dial_hz, planned, *others)


class JournalFile:
    """The journal of a folder, opened at the first write. To be used by one thread. After an error
    (OSError, sqlite3.Error, OtherWriterError) the same batch may be written again."""

    def __init__(self, folder: Path, max_bytes: int, clock: Clock) -> None:
        self._folder = folder
        self._max_bytes = max_bytes
        self._clock = clock
        self._lock: int | None = None
        self._conn: sqlite3.Connection | None = None
        self._inode = 0
        self._checked = False
        self._codes: dict[str, dict[str, int]] = {}
        self._next: dict[str, int] = {}
        self._ids: WeakKeyDictionary[object, int] = WeakKeyDictionary()
        self._written: WeakSet[object] = WeakSet()
        self._present: SessionBegin | None = None

    def write(self, batch: Sequence[Record]) -> None:
        """Commits a batch: when this returns, a power cut does not lose it. Then makes room, if the
        journal has grown to its limit."""
        try:
            conn = self._connection()
            conn.execute("BEGIN IMMEDIATE")
            for record in batch:
                self._put(conn, record)
            conn.execute("COMMIT")
            if self._present is not None:
                drop_oldest(conn, self._ids[self._present], self._max_bytes)
        except BaseException as error:
            self._disconnect()
            if isinstance(error, sqlite3.Error) and is_damage(error):
                set_aside(self._folder / NAME, self._clock.utc_s(), str(error))
            raise

    def close(self) -> None:
        """Closes the file and gives up its lock; another write opens it again."""
        self._disconnect()
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    # --- the connection ---------------------------------------------------------------------------

    def _connection(self) -> sqlite3.Connection:
        """Returns the connection, opened if need be. A file that was removed or replaced while open
        is opened anew."""
        path = self._folder / NAME
        if self._conn is not None and (not path.exists() or path.stat().st_ino != self._inode):
            self._disconnect()
        if self._conn is None:
            if self._lock is None:
                self._lock = lock(self._folder)
            self._conn = open_to_write(self._folder, self._clock.utc_s(), check=not self._checked)
            self._checked = True
            self._inode = path.stat().st_ino
            self._conn.execute("BEGIN IMMEDIATE")
            self._codes = codes_of(self._conn)
            self._tidy(self._conn)
            self._conn.execute("COMMIT")
        return self._conn

    def _disconnect(self) -> None:
        """Closes the connection, if there is one."""
        conn, self._conn = self._conn, None
        self._written.clear()
        if conn is not None:
            with contextlib.suppress(sqlite3.Error):
                conn.close()

    def _tidy(self, conn: sqlite3.Connection) -> None:
        """Ends the sessions and faults that a killed daemon left open, at the last second recorded
        of it; continues row numbers where the file ends."""
        ours = {id_ for of, id_ in self._ids.items() if isinstance(of, SessionBegin)}
        open_ids = conn.execute("SELECT id FROM sessions WHERE ended_utc_s IS NULL").fetchall()
        for (id_,) in open_ids:
            if id_ not in ours:
                conn.execute(END_KILLED, {"id": id_})
                conn.execute(END_KILLED_FAULTS, {"id": id_})
        for table in NUMBERED:
            (last,) = conn.execute(f"SELECT max(id) FROM {table}").fetchone()  # noqa: S608
            self._next[table] = max(self._next.get(table, 1), (last or 0) + 1)

    # --- rows -------------------------------------------------------------------------------------

    def _put(self, conn: sqlite3.Connection, record: Record) -> None:
        """Writes one record, after the session and the context that it belongs to."""
        session_id = self._session(conn, record.session)
        match record:
            case SessionEnd():
                conn.execute(SESSION_END, (record.ended_utc_s, session_id))
            case ContextRecord():
                self._context(conn, record)
            case Second():
                conn.execute(SECOND, self._second(conn, session_id, record))
            case StepRecord():
                row_id = self._number("steps_raw", record)
                conn.execute(STEP, (row_id, session_id, *_step(record.step)))
            case KeyingEdge():
                edge = (record.at_utc_s, self._codes["keying"][record.state], record.by)
                conn.execute(EDGE, (self._number("keying_edges", record), session_id, *edge))
            case CommandRecord():
                values = (record.at_utc_s, record.by, record.what, record.outcome)
                conn.execute(COMMAND, (self._number("commands", record), session_id, *values))
            case FaultRecord():
                of = record.stretch
                row = (of.from_utc_s, record.to_utc_s, of.kind, of.text)
                conn.execute(FAULT, (self._number("faults", of), session_id, *row))
            case BudgetEntry():
                bounds = (record.at_utc_s, record.rx_error_95_hz, record.tx_error_95_hz)
                texts = (record.largest, record.advice, record.json)
                conn.execute(BUDGET, (session_id, *bounds, *texts))

    def _second(
        self, conn: sqlite3.Connection, session_id: int, second: Second
    ) -> tuple[int | None, ...]:
        """Returns the row of a second."""
        return (
            session_id,
            second.utc_s,
            second.at_us,
            self._codes["tracking"][second.tracking],
            self._context(conn, second.context),
            *second.numbers,
            self._codes["keying"][second.keying],
            second.lateness_ms,
            second.clock_bound_us,
        )

    def _session(self, conn: sqlite3.Connection, session: SessionBegin) -> int:
        """Returns the row number of a session, which is written if it is not in the file."""
        self._present = session
        id_ = self._number("sessions", session)
        if session not in self._written:
            row = (id_, session.began_utc_s, None, session.version, session.station_json)
            conn.execute(SESSION, row)
            self._written.add(session)
        return id_

    def _context(self, conn: sqlite3.Connection, context: ContextRecord) -> int:
        """Returns the row number of a context, which is written if it is not in the file."""
        id_ = self._number("contexts", context)
        if context not in self._written:
            session_id = self._session(conn, context.session)
            conn.execute(CONTEXT, (id_, session_id, context.from_utc_s, *context.choice))
            self._written.add(context)
        return id_

    def _number(self, table: str, of: object) -> int:
        """Returns the row number of a record in its table; the next one if it has none yet."""
        if of not in self._ids:
            self._ids[of] = self._next[table]
            self._next[table] += 1
        return self._ids[of]
