"""The journal beside a daemon: reads its snapshots, hands records to the writer, waits for no disk.

A companion like any other (see `app`), but one that never ends the daemon: what it cannot record is
logged once, and told as `problem`."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from moontrim import __version__
from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.journal.file import JournalFile
from moontrim.journal.recorder import Recorder
from moontrim.journal.records import BudgetEntry, Choice, clean
from moontrim.journal.station import station_json
from moontrim.journal.writer import Writer
from moontrim.state.snapshot import Snapshot

if TYPE_CHECKING:
    from moontrim.app.daemon import Daemon

log = logging.getLogger(__name__)

BYTES_PER_MB = 1_000_000


class RecordedBudget(Protocol):
    """What is recorded of the error budget of one dial (see `path.budget`)."""

    @property
    def bound95_hz(self) -> float: ...
    @property
    def largest(self) -> str: ...
    @property
    def advice(self) -> str: ...
    def as_json(self) -> dict[str, Any]: ...


class Journal:
    """The journal of a folder. clock: the daemon's; a rehearsal's is fine. clock_bound_s: how wrong
    it may be just now, if anyone knows."""

    def __init__(
        self,
        folder: Path,
        settings: Settings,
        clock: Clock,
        clock_bound_s: Callable[[], float | None] = lambda: None,
    ) -> None:
        own = settings.journal
        self._enabled = own.enabled
        self._settings = settings
        self._clock = clock
        self._clock_bound_s = clock_bound_s
        file = JournalFile(folder, own.max_mb * BYTES_PER_MB, clock)
        self._writer = Writer(folder, file)
        station = station_json(settings)
        self._recorder = Recorder(clock.utc_s(), __version__, station, self._choice)
        self._budgets: object = None
        self._own_problem = ""

    @property
    def problem(self) -> str:
        """For the state: what keeps the journal from being written; empty while all is well."""
        return self._own_problem or self._writer.problem

    async def run(self, daemon: Daemon) -> None:
        """Record the daemon until cancelled, then end the session and write what waits."""
        if not self._enabled:
            return
        self._writer.start()
        self._writer.put([self._recorder.session])
        try:
            if daemon.hub.latest is not None:
                self._take(daemon, daemon.hub.latest)
            while True:
                self._take(daemon, await daemon.hub.next())
        finally:
            self._take_notes(daemon)
            self._writer.put(self._recorder.end(self._clock.utc_s()))
            await self._writer.close()

    async def flush(self) -> None:
        """Until all recorded so far is on the disk, or has been refused by it."""
        await self._writer.flush()

    def note_budget(self, at_utc_s: float, rx: RecordedBudget, tx: RecordedBudget) -> None:
        """Record an error budget. The larger of the two gives its words."""
        if not self._enabled:
            return
        worse = max(rx, tx, key=lambda budget: budget.bound95_hz)
        entry = BudgetEntry(
            self._recorder.session,
            at_utc_s,
            rx.bound95_hz,
            tx.bound95_hz,
            clean(worse.largest),
            clean(worse.advice),
            json.dumps({"rx": rx.as_json(), "tx": tx.as_json()}),
        )
        self._writer.put([entry])

    def _take(self, daemon: Daemon, seen: Snapshot) -> None:
        try:
            if daemon.settings.home != self._settings.home:
                self._move(daemon.settings)
            self._writer.put(self._recorder.take(seen, self._clock_bound_s()))
            self._take_notes(daemon)
            budgets = seen.outlook.budgets if seen.outlook else None
            if budgets is not None and budgets is not self._budgets:
                self._budgets = budgets
                self.note_budget(seen.utc_s, *budgets)
        except Exception as error:
            if not self._own_problem:
                log.exception("cannot record what the daemon does")
            self._own_problem = f"journal: cannot record: {error!r}"
        else:
            self._own_problem = ""

    def _move(self, settings: Settings) -> None:
        """Home is elsewhere: a session has one home, so this is a new one."""
        self._settings = settings
        now_utc_s = self._clock.utc_s()
        self._writer.put(self._recorder.end(now_utc_s))
        self._writer.put(self._recorder.begin(now_utc_s, station_json(settings)))

    def _take_notes(self, daemon: Daemon) -> None:
        self._writer.put(self._recorder.commands(daemon.notes.take()))

    def _choice(self, seen: Snapshot) -> Choice:
        return Choice(
            clean(seen.band),
            seen.sked_hz,
            seen.sked_hz + self._settings.band(seen.band).tx_shift_hz,
            seen.agreement,
            clean(seen.partner),
            seen.trim_rx_hz,
            seen.trim_tx_hz,
            seen.correcting,
        )
