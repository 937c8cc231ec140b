"""Snapshots in, records out. Pure: no clock, no thread, no disk.

A second is what the first snapshot of a tick says; where no tick came, nothing is made up. What was
chosen, and whether the radio was on frequency, is taken from every snapshot, also between ticks."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

from moontrim.journal.records import (
    Choice,
    CommandRecord,
    ContextRecord,
    FaultRecord,
    Record,
    Second,
    SessionBegin,
    SessionEnd,
    TroubleRecord,
    clean,
    clock_bound,
    milliseconds,
    numbers_of,
    offset_us,
)
from moontrim.state.snapshot import Fault as Trouble
from moontrim.state.snapshot import Snapshot, Tracking
from moontrim.tracking.commandlog import CommandNote
from moontrim.tracking.planning import AHEAD_S

WELL = frozenset({Tracking.ON_FREQUENCY, Tracking.HELD_KEYED, Tracking.PAUSED})
SET_BACK_S = 1.0  # by more than this, seconds would come twice: a new session begins


class Recorder:
    """The record of one daemon. choice: what was chosen, as of a snapshot."""

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

    def take(self, seen: Snapshot, clock_bound_s: float | None = None) -> list[Record]:
        """What a snapshot adds to the record."""
        found: list[Record] = []
        if seen.utc_s < self._last_utc_s - SET_BACK_S:
            found += self.end(self._last_utc_s)
            found += self.begin(seen.utc_s, self.session.station_json)
        self._last_utc_s = seen.utc_s
        choice = self._choice(seen)
        if self._context is None or self._context.choice != choice:
            self._context = ContextRecord(self.session, seen.utc_s, choice)
            found.append(self._context)
        found += self._stretches(seen)
        if seen.ticks != self._ticks:
            found += self._tick(seen, self._context, clock_bound_s)
        return found

    def commands(self, notes: Iterable[CommandNote]) -> list[Record]:
        return [
            CommandRecord(
                self.session, note.at_utc_s, *map(clean, (note.by, note.what, note.outcome))
            )
            for note in notes
        ]

    def end(self, utc_s: float) -> list[Record]:
        """The session is over."""
        return [*self._well_again(utc_s), SessionEnd(self.session, utc_s)]

    def begin(self, utc_s: float, station_json: str) -> list[Record]:
        """Another session, after the end of the one before."""
        self.session = SessionBegin(utc_s, self.session.version, station_json)
        self._context = self._tracking = self._second = None
        return [self.session]

    def _tick(
        self, seen: Snapshot, context: ContextRecord, clock_bound_s: float | None
    ) -> list[Record]:
        found: list[Record] = []
        second = math.floor(seen.utc_s + AHEAD_S)
        missed = seen.missed_seconds - self._missed
        due = None if self._second is None else self._second + 1 + missed
        if missed > 0 and self._second is not None:
            stretch = TroubleRecord(
                self.session, self._second + 1.0, "missed", f"{missed} seconds missed"
            )
            found.append(FaultRecord(stretch, self._second + 1.0 + missed))
        at_us = offset_us(seen.utc_s, second)
        late = milliseconds(at_us - offset_us(-AHEAD_S, 0)) if second == due else None
        found.append(
            Second(
                context,
                second,
                at_us,
                seen.tracking,
                seen.keying.state,
                numbers_of(seen),
                late,
                clock_bound(clock_bound_s),
            )
        )
        self._second, self._ticks, self._missed = second, seen.ticks, seen.missed_seconds
        return found

    def _stretches(self, seen: Snapshot) -> list[Record]:
        found: list[Record] = []
        if seen.tracking is not self._tracking:
            found += self._well_again(seen.utc_s)
            self._tracking = seen.tracking
            if seen.tracking not in WELL:
                kind = f"tracking:{seen.tracking}"
                self._wrong = TroubleRecord(self.session, seen.utc_s, kind, clean(seen.reason))
                found.append(FaultRecord(self._wrong, None))
        for trouble in seen.faults_after(self._trouble):
            event = TroubleRecord(self.session, trouble.at_utc_s, "event", clean(trouble.text))
            found.append(FaultRecord(event, trouble.at_utc_s))
        self._trouble = seen.last_fault
        return found

    def _well_again(self, utc_s: float) -> list[Record]:
        wrong, self._wrong = self._wrong, None
        return [] if wrong is None else [FaultRecord(wrong, max(utc_s, wrong.from_utc_s))]
