"""One dial over the time of a recording, from the journal: its steps and the ideal dial."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

import numpy as np

from moontrim.bench.straighten import DialCourse
from moontrim.errors import InputError
from moontrim.formats import iso_utc
from moontrim.tuning.steps import DialName

MARGIN_S = 3.0  # chosen: rows on either side of the recording, which are a second apart
GAP_S = 3.0  # chosen: so many seconds without a row are bridged by a straight line
# Chosen: a step whose instant is known less well costs phase that can be measured.
SHARP_S = 0.1


@dataclass(frozen=True)
class RecordedDial:
    """course: seconds from the beginning of the recording. steps: the number within it. blurred:
    of these, those whose instant is uncertain by more than 0.1 s, as of a dial turned by hand."""

    course: DialCourse
    steps: int
    blurred: int


def recorded_dial(
    connection: sqlite3.Connection, which: DialName, from_utc_s: float, to_utc_s: float
) -> RecordedDial:
    """Returns one dial from one instant to another. Raises InputError where the journal does not
    have both dial and ideal dial for all of that."""
    row = connection.execute(
        "SELECT id FROM sessions WHERE began_utc_s <= ? ORDER BY began_utc_s DESC LIMIT 1",
        (from_utc_s,),
    ).fetchone()
    if row is None:
        raise _missing("no session was running", from_utc_s, to_utc_s)
    session_id = int(row[0])
    ideal_s, ideal_hz = _ideal(connection, session_id, which, from_utc_s, to_utc_s)
    steps = connection.execute(
        "SELECT moved_utc_s, dial_hz, confirmed_utc_s - sent_utc_s FROM steps "
        "WHERE session_id = ? AND dial = ? AND moved_utc_s <= ? ORDER BY moved_utc_s",
        (session_id, which, to_utc_s),
    ).fetchall()
    if not steps:
        raise _missing(f"no {which} dial recorded", from_utc_s, to_utc_s)
    moved_s = np.array([step[0] for step in steps]) - from_utc_s
    first = max(0, int(np.searchsorted(moved_s, ideal_s[0], "right")) - 1)
    within = moved_s >= 0.0
    blurred = sum(bool(w) and step[2] > SHARP_S for w, step in zip(within, steps, strict=True))
    course = DialCourse(
        moved_s[first:], np.array([float(step[1]) for step in steps[first:]]), ideal_s, ideal_hz
    )
    return RecordedDial(course, int(within.sum()), blurred)


def _ideal(
    connection: sqlite3.Connection,
    session_id: int,
    which: DialName,
    from_utc_s: float,
    to_utc_s: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Returns the knots of the ideal dial, seconds from from_utc_s and Hz. Where the operator chose
    something else, what was before goes on to that instant, and what is new begins there."""
    rows = connection.execute(
        f"SELECT s.at_utc_s, s.{which}_ideal_hz, s.context_id, c.from_utc_s "  # noqa: S608 (ours)
        "FROM seconds s JOIN contexts c ON c.id = s.context_id "
        "WHERE s.session_id = ? AND s.utc_s BETWEEN ? AND ? ORDER BY s.utc_s",
        (session_id, from_utc_s - MARGIN_S, to_utc_s + MARGIN_S),
    ).fetchall()
    if not rows or rows[0][0] > from_utc_s or rows[-1][0] < to_utc_s:
        raise _missing("rows of seconds are missing", from_utc_s, to_utc_s)
    knots: list[tuple[float, float]] = []
    for index, (at_utc_s, hz, context_id, since_utc_s) in enumerate(rows):
        if hz is None:
            raise _missing(f"no ideal {which} dial at {iso_utc(at_utc_s)}", from_utc_s, to_utc_s)
        if index and at_utc_s - rows[index - 1][0] > GAP_S:
            raise _missing(f"nothing recorded before {iso_utc(at_utc_s)}", from_utc_s, to_utc_s)
        if index and context_id != rows[index - 1][2]:
            chosen_utc_s = min(max(since_utc_s, rows[index - 1][0]), at_utc_s)
            for near, other in ((index - 1, index - 2), (index, index + 1)):
                knots.append((chosen_utc_s, _along(rows, near, other, chosen_utc_s)))
        knots.append((at_utc_s, hz))
    at_s, hz_of = np.array(knots).T
    return at_s - from_utc_s, hz_of


def _along(rows: list[sqlite3.Row], near: int, other: int, utc_s: float) -> float:
    """Returns the ideal dial at an instant, on the line through two rows; that of the nearer row if
    the other belongs to something else."""
    if not 0 <= other < len(rows) or rows[other][2] != rows[near][2] or rows[other][1] is None:
        return float(rows[near][1])
    (near_s, near_hz), (other_s, other_hz) = rows[near][:2], rows[other][:2]
    return float(near_hz + (utc_s - near_s) * (other_hz - near_hz) / (other_s - near_s))


def _missing(reason: str, from_utc_s: float, to_utc_s: float) -> InputError:
    problem = (
        f"recording from {iso_utc(from_utc_s)} to {iso_utc(to_utc_s)} cannot be straightened: "
        f"{reason}"
    )
    return InputError("--began", iso_utc(from_utc_s), problem=problem)
