"""Turns snapshots into records. Pure: no clock, no thread, no disk.

The row of a second comes from the first snapshot of its tick; a second without a tick has no row.
Choices of the operator and tracking states are taken from every snapshot, also between ticks."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

from moontrim.journal.records import (
    Choice,
    CommandRecord,
    ContextRecord,
    FaultRecord,
    KeyingEdge,
    Record,
    Second,
    SessionBegin,
    SessionEnd,
    StepRecord,
    TroubleRecord,
    clean,
    clock_bound,
    milliseconds,
    numbers_of,
    offset_us,
)
from moontrim.keying.view import KeyingView
from moontrim.rig.steplog import DialStep
from moontrim.state.snapshot import Fault as Trouble
from moontrim.state.snapshot import Snapshot, Tracking
from moontrim.tracking.commandlog import CommandNote
from moontrim.tracking.planning import AHEAD_S

# No faults: the Moon sets every day, with the dials where they ought to be.
WELL = frozenset(
    {Tracking.ON_FREQUENCY, Tracking.HELD_KEYED, Tracking.PAUSED, Tracking.MOON_TOO_LOW}
)
# If the clock goes back by more than this, seconds would come twice, so that a new session begins.
SET_BACK_S = 1.0


class Recorder:
    """Makes the records of one daemon. choice: returns the operator's choices as of a snapshot."""

    def __init__(
        self,
        began_utc_s: float,
        version: str,
        station_json: str,
        choice: Callable[[Snapshot], Choice],
    ) -> None:
        self.session = SessionBegin(began_utc_s, version, station_json)
        self._choice = choice
        self._context: ContextRecord | None = None
        self._wrong: TroubleRecord | None = None
        self._tracking: Tracking | None = None
        self._trouble: Trouble | None = None
        self._last_utc_s = began_utc_s
        self._second: int | None = None
        self._ticks = 0
        self._missed = 0

    def take(self, snapshot: Snapshot, clock_bound_s: float | None = None) -> list[Record]:
        """Returns the records that a snapshot adds."""
        records: list[Record] = []
        if snapshot.utc_s < self._last_utc_s - SET_BACK_S:
            records += self.end(self._last_utc_s)
            records += self.begin(snapshot.utc_s, self.session.station_json)
        self._last_utc_s = snapshot.utc_s
        choice = self._choice(snapshot)
        if self._context is None or self._context.choice != choice:
            self._context = ContextRecord(self.session, snapshot.utc_s, choice)
            records.append(self._context)
        records += self._stretches(snapshot)
        if snapshot.ticks != self._ticks:
            records += self._tick(snapshot, self._context, clock_bound_s)
        return records

    def steps(self, steps: Iterable[DialStep]) -> list[Record]:
        """Returns the records of dial steps; none of a value that does not fit a column."""
        return [StepRecord(self.session, step) for step in steps if abs(step.dial_hz) < 2**63]

    def edges(self, views: Iterable[KeyingView]) -> list[Record]:
        """Returns the records of changes of the transmit sequence."""
        return [
            KeyingEdge(self.session, view.since_utc_s, view.state, clean(view.who))
            for view in views
        ]

    def commands(self, notes: Iterable[CommandNote]) -> list[Record]:
        """Returns the records of commands."""
        return [
            CommandRecord(
                self.session, note.at_utc_s, *map(clean, (note.by, note.what, note.outcome))
            )
            for note in notes
        ]

    def end(self, utc_s: float) -> list[Record]:
        """Returns the records that end the session."""
        return [*self._well_again(utc_s), SessionEnd(self.session, utc_s)]

    def begin(self, utc_s: float, station_json: str) -> list[Record]:
        """Begins another session, after the end of the one before, and returns its record."""
        self.session = SessionBegin(utc_s, self.session.version, station_json)
        self._context = self._tracking = self._second = None
        return [self.session]

    def _tick(
        self, snapshot: Snapshot, context: ContextRecord, clock_bound_s: float | None
    ) -> list[Record]:
        """Returns the record of a second, after that of the seconds missed before it."""
        records: list[Record] = []
        second = math.floor(snapshot.utc_s + AHEAD_S)
        missed = snapshot.missed_seconds - self._missed
        due = None if self._second is None else self._second + 1 + missed
        if missed > 0 and self._second is not None:
            stretch = TroubleRecord(
                self.session, self._second + 1.0, "missed", f"{missed} seconds missed"
            )
            records.append(FaultRecord(stretch, self._second + 1.0 + missed))
        at_us = offset_us(snapshot.utc_s, second)
        late = milliseconds(at_us - offset_us(-AHEAD_S, 0)) if second == due else None
        records.append(
            Second(
                context,
                second,
                at_us,
                snapshot.tracking,
                snapshot.keying.state,
                numbers_of(snapshot),
                late,
                clock_bound(clock_bound_s),
            )
        )
        self._second, self._ticks, self._missed = second, snapshot.ticks, snapshot.missed_seconds
        return records

    def _stretches(self, snapshot: Snapshot) -> list[Record]:
        """Returns the records of faults that begin or end with this snapshot."""
        records: list[Record] = []
        if snapshot.tracking is not self._tracking:
            records += self._well_again(snapshot.utc_s)
            start_up = self._tracking is None and snapshot.tracking is Tracking.STARTING
            self._tracking = snapshot.tracking
            if snapshot.tracking not in WELL and not start_up:
                kind = f"tracking:{snapshot.tracking}"
                self._wrong = TroubleRecord(
                    self.session, snapshot.utc_s, kind, clean(snapshot.reason)
                )
                records.append(FaultRecord(self._wrong, None))
        for trouble in snapshot.faults_after(self._trouble):
            event = TroubleRecord(self.session, trouble.at_utc_s, "event", clean(trouble.text))
            records.append(FaultRecord(event, trouble.at_utc_s))
        self._trouble = snapshot.last_fault
        return records

    def _well_again(self, utc_s: float) -> list[Record]:
        """Returns the record that ends the present fault of tracking, if there is one."""
        wrong, self._wrong = self._wrong, None
        return [] if wrong is None else [FaultRecord(wrong, max(utc_s, wrong.from_utc_s))]
