"""One session of the journal in memory, a column an array.

Every text in it comes from a file that anyone may have written."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from moontrim.errors import InputError
from moontrim.path.vectors import Array
from moontrim.report.station import Station, station_from

ROWS_AT_ONCE = 20_000  # chosen: rows as Python objects take several times the memory of the arrays


@dataclass(frozen=True)
class Seconds:
    """The columns of the view `seconds` (`journal.schema` explains them), each of shape (n,), NaN
    where unknown, in order of utc_s. at_utc_s: the instant that a row holds for. tracking, keying:
    codes, see Recorded.code_names."""

    utc_s: Array
    at_utc_s: Array
    tracking: Array
    context_id: Array
    rx_ideal_hz: Array
    rx_dial_hz: Array
    rx_residual_hz: Array
    rx_correction_hz: Array
    tx_ideal_hz: Array
    tx_dial_hz: Array
    tx_residual_hz: Array
    tx_correction_hz: Array
    elevation_deg: Array
    azimuth_deg: Array
    partner_elevation_deg: Array
    transmitting: Array
    keying: Array
    lateness_ms: Array
    clock_bound_ms: Array


COLUMNS = tuple(field.name for field in fields(Seconds))


@dataclass(frozen=True)
class Context:
    """The choices of the operator from from_utc_s on. sked: name of the chosen one, empty for
    none."""

    id: int
    from_utc_s: float
    band: str
    sked_hz: float
    tx_sked_hz: float
    agreement: str
    partner: str
    rx_trim_hz: float
    tx_trim_hz: float
    correcting: bool
    sked: str
    over_s: float


@dataclass(frozen=True)
class RecordedCommand:
    """A command. by: who sent it. outcome: `done`, or the refusal."""

    at_utc_s: float
    by: str
    what: str
    outcome: str


@dataclass(frozen=True)
class RecordedFault:
    """A fault. to_utc_s: None while it lasts."""

    from_utc_s: float
    to_utc_s: float | None
    kind: str
    text: str


@dataclass(frozen=True)
class BudgetRecord:
    """An error budget. error_95_hz: with 95 % probability the dial is within this of the truth.
    largest: the largest cause. json: both budgets whole, by cause."""

    at_utc_s: float
    rx_error_95_hz: float | None
    tx_error_95_hz: float | None
    largest: str
    advice: str
    json: str


@dataclass(frozen=True)
class Recorded:
    """A session. ended_utc_s: None while it runs, or if it never ended in order. newest: the last
    session of the journal. code_names: the name of each code, by kind (`tracking`, `keying`)."""

    id: int
    began_utc_s: float
    ended_utc_s: float | None
    version: str
    newest: bool
    station: Station
    seconds: Seconds
    contexts: dict[int, Context]
    commands: tuple[RecordedCommand, ...]
    faults: tuple[RecordedFault, ...]
    budgets: tuple[BudgetRecord, ...]
    code_names: dict[str, dict[int, str]]


def read_session(connection: sqlite3.Connection, session_id: int | None) -> Recorded:
    """Returns the session with this id, or the last. Raises InputError if there is none, if nothing
    was recorded in it, or if the contents of the file are damaged."""
    with damage_named():
        if session_id is None:
            session_id = _one(connection, "SELECT max(id) FROM sessions")[0]
            if session_id is None:
                raise InputError("journal", None, problem="no session recorded yet")
        session_row = _one(
            connection,
            "SELECT id, began_utc_s, ended_utc_s, version, station_json FROM sessions WHERE id = ?",
            session_id,
        )
        if session_row is None:
            raise InputError("SESSION", session_id, "a number from `moontrim report --list`")
        seconds = _seconds(connection, session_id)
        if not seconds.utc_s.size:
            problem = f"no second recorded in session {session_id}"
            raise InputError("SESSION", session_id, problem=problem)
        return Recorded(
            id=int(session_row[0]),
            began_utc_s=float(session_row[1]),
            ended_utc_s=None if session_row[2] is None else float(session_row[2]),
            version=str(session_row[3]),
            newest=session_id == _one(connection, "SELECT max(id) FROM sessions")[0],
            station=station_from(session_row[4]),
            seconds=seconds,
            contexts=_contexts(connection, session_id),
            commands=tuple(
                RecordedCommand(float(at), str(by), str(what), str(outcome))
                for at, by, what, outcome in _of(
                    connection, 'at_utc_s, "by", what, outcome', "commands", session_id
                )
            ),
            faults=tuple(
                RecordedFault(float(a), None if b is None else float(b), str(kind), str(text))
                for a, b, kind, text in _of(
                    connection, "from_utc_s, to_utc_s, kind, text", "faults", session_id
                )
            ),
            budgets=tuple(
                BudgetRecord(float(at), _number(rx), _number(tx), *map(str, texts))
                for at, rx, tx, *texts in _of(
                    connection,
                    "at_utc_s, rx_error_95_hz, tx_error_95_hz, largest, advice, json",
                    "budgets",
                    session_id,
                )
            ),
            code_names=_code_names(connection),
        )


def _one(connection: sqlite3.Connection, query: str, *values: Any) -> Any:
    """Returns the first row of a query; None without one."""
    return connection.execute(query, values).fetchone()


def _of(connection: sqlite3.Connection, columns: str, table: str, session_id: int) -> list[Any]:
    """Returns the rows of a session in order of their first column, a time."""
    query = f"SELECT {columns} FROM {table} WHERE session_id = ? ORDER BY 1"  # noqa: S608 (ours)
    return connection.execute(query, (session_id,)).fetchall()


def _seconds(connection: sqlite3.Connection, session_id: int) -> Seconds:
    """Returns the columns of the view `seconds` for a session."""
    query = (
        f"SELECT {', '.join(COLUMNS)} FROM seconds "  # noqa: S608 (our own names)
        "WHERE session_id = ? ORDER BY utc_s"
    )
    cursor = connection.cursor()
    cursor.row_factory = None  # plain rows: there are many
    cursor.execute(query, (session_id,))
    parts = [np.empty((0, len(COLUMNS)))]
    while rows := cursor.fetchmany(ROWS_AT_ONCE):
        parts.append(np.array(rows, dtype=np.float64))  # None becomes NaN
    return Seconds(*np.concatenate(parts).T)


def _contexts(connection: sqlite3.Connection, session_id: int) -> dict[int, Context]:
    """Returns the contexts of a session by their row number."""
    columns = (
        "from_utc_s, id, band, sked_hz, tx_sked_hz, agreement, partner, rx_trim_hz, tx_trim_hz, "
        "correcting, sked, over_s"
    )
    return {
        int(row[1]): Context(
            id=int(row[1]),
            from_utc_s=float(row[0]),
            band=str(row[2]),
            sked_hz=float(row[3]),
            tx_sked_hz=float(row[3] if row[4] is None else row[4]),
            agreement=str(row[5]),
            partner=str(row[6]),
            rx_trim_hz=float(row[7]),
            tx_trim_hz=float(row[8]),
            correcting=bool(row[9]),
            sked=str(row[10]),
            over_s=float(row[11]),
        )
        for row in _of(connection, columns, "contexts", session_id)
    }


def _code_names(connection: sqlite3.Connection) -> dict[str, dict[int, str]]:
    """Returns the names of the codes, by kind."""
    names: dict[str, dict[int, str]] = {}
    for kind, code, text in connection.execute("SELECT kind, code, text FROM names"):
        names.setdefault(str(kind), {})[int(code)] = str(text)
    return names


def _number(value: Any) -> float | None:
    """Returns a number or None as such."""
    return None if value is None else float(value)


@contextmanager
def damage_named() -> Iterator[None]:
    """Turns every error that reading a damaged file raises into an InputError."""
    try:
        yield
    except (sqlite3.Error, ValueError, TypeError, OverflowError) as error:
        raise InputError("journal", None, problem=f"damaged ({error})") from None
