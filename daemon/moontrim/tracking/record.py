"""What the tracker has counted and noted so far, for the snapshots and for undoing."""

from __future__ import annotations

import logging
from collections.abc import Callable

from moontrim.state.agendaview import AgendaView
from moontrim.state.snapshot import Change, Fault, Outlook
from moontrim.tracking.undo import Undoing

log = logging.getLogger(__name__)

MOST_FAULTS = 200  # chosen: some hours of a bad night; older ones are in the log and the journal


class TrackingRecord:
    """Counts of seconds, the latest faults, the last change, what can be undone, the outlook and
    the agenda.

    utc_s: reads the clock, in POSIX seconds."""

    def __init__(self, utc_s: Callable[[], float]) -> None:
        self._utc_s = utc_s
        self.ticks = 0
        self.missed_seconds = 0
        self.faults: tuple[Fault, ...] = ()
        self.last_change: Change | None = None
        self.outlook: Outlook | None = None
        self.undoing = Undoing()
        self.agenda: AgendaView | None = None

    def tick(self) -> None:
        """Counts a planned second."""
        self.ticks += 1

    def miss(self, seconds: int) -> None:
        """Counts seconds that were not planned."""
        self.missed_seconds += seconds
        self.fault(f"{seconds} seconds missed: the machine was too busy")

    def fault(self, text: str) -> None:
        """Logs a fault and keeps it with its time."""
        log.warning("%s", text)
        self.faults = (*self.faults[1 - MOST_FAULTS :], Fault(self._utc_s(), text))

    def change(self, by: str, what: str) -> None:
        """Notes who has just changed what."""
        self.last_change = Change(by, what, self._utc_s())

    def replace(self, newest: Outlook | AgendaView) -> None:
        """Keeps the newest outlook, or the newest view of the agenda."""
        if isinstance(newest, Outlook):
            self.outlook = newest
        else:
            self.agenda = newest
