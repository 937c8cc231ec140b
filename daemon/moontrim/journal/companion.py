"""The journal beside a daemon: turns its snapshots into records for the writer, and never waits.

A companion like any other (see `app`), but one that never ends the daemon: what it cannot record is
logged once, and published as `problem`."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from moontrim import __version__
from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.journal.file import JournalFile
from moontrim.journal.recorder import Recorder
from moontrim.journal.records import BudgetEntry, Choice, clean
from moontrim.journal.writer import Writer
from moontrim.session.session import first_session
from moontrim.state.snapshot import Snapshot

if TYPE_CHECKING:
    from moontrim.app.daemon import Daemon

log = logging.getLogger(__name__)

BYTES_PER_MB = 1_000_000


def station_json(settings: Settings) -> str:
    """Returns what the config says about the station, as a JSON object: what a report needs (see
    `report.station`), and nothing that opens a door. The driver's options are left out, since they
    name hosts and ports.

    home: a `moontrim.path.Site` by its fields; null until the GPS receiver has reported it.
    partner: another, or null for our own echo: the config's, since the partner of each context is a
    text. partner_text: how a context names it. partners: places by name. driver: of the radio.
    troposphere: is it corrected? bands: the tables of the config, whole."""
    place = settings.partner_place()
    partner = None if place is None else place.site()
    return json.dumps(
        {
            "home": asdict(settings.home.site()) if settings.home_is_known else None,
            "partner": None if partner is None else asdict(partner),
            "partner_text": first_session(settings).partner_text(settings),
            "partners": {one.name: asdict(one.site()) for one in settings.partners},
            "driver": settings.radio.driver,
            "on_manual_tuning": settings.radio.on_manual_tuning,
            "troposphere": settings.troposphere,
            "bands": [band.model_dump(mode="json") for band in settings.bands],
        }
    )


class RecordedBudget(Protocol):
    """The parts of the error budget of one dial that are recorded (see `errorbudget.budget`)."""

    @property
    def error_95_hz(self) -> float: ...
    @property
    def largest(self) -> str: ...
    @property
    def advice(self) -> str: ...
    def as_json(self) -> dict[str, Any]: ...


class Journal:
    """Keeps the journal of a folder. clock: the daemon's, or a rehearsal's. clock_bound_s: returns
    how wrong it may be just now, None if that is not known."""

    def __init__(
        self,
        folder: Path,
        settings: Settings,
        clock: Clock,
        clock_bound_s: Callable[[], float | None] = lambda: None,
    ) -> None:
        options = settings.journal
        self._enabled = options.enabled
        self._settings = settings
        self._clock = clock
        self._clock_bound_s = clock_bound_s
        file = JournalFile(folder, options.max_mb * BYTES_PER_MB, clock)
        self._writer = Writer(folder, file)
        station = station_json(settings)
        self._recorder = Recorder(clock.utc_s(), __version__, station, self._choice)
        self._budgets: object = None
        self._noted = 0  # notes of commands recorded so far
        self._recording_problem = ""

    @property
    def problem(self) -> str:
        """The reason why the journal is not written, for the state; empty while all is well."""
        return self._recording_problem or self._writer.problem

    async def run(self, daemon: Daemon) -> None:
        """Records the daemon until cancelled, then ends the session and writes what waits."""
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
        """Waits until all recorded so far is on the disk, or has been refused by it."""
        await self._writer.flush()

    def note_budget(self, at_utc_s: float, rx: RecordedBudget, tx: RecordedBudget) -> None:
        """Records an error budget. The dial with the larger bound gives the texts."""
        if not self._enabled:
            return
        worse = max(rx, tx, key=lambda budget: budget.error_95_hz)
        entry = BudgetEntry(
            self._recorder.session,
            at_utc_s,
            rx.error_95_hz,
            tx.error_95_hz,
            clean(worse.largest),
            clean(worse.advice),
            json.dumps({"rx": rx.as_json(), "tx": tx.as_json()}),
        )
        self._writer.put([entry])

    def _take(self, daemon: Daemon, snapshot: Snapshot) -> None:
        """Records one snapshot, the commands noted since the last, and a new error budget."""
        try:
            if daemon.settings.home != self._settings.home:
                self._move(daemon.settings)
            self._writer.put(self._recorder.take(snapshot, self._clock_bound_s()))
            self._take_notes(daemon)
            budgets = snapshot.outlook.budgets if snapshot.outlook else None
            if budgets is not None and budgets is not self._budgets:
                self._budgets = budgets
                self.note_budget(snapshot.utc_s, *budgets)
        except Exception as error:
            if not self._recording_problem:
                log.exception("cannot record what the daemon does")
            self._recording_problem = f"journal: cannot record: {error!r}"
        else:
            self._recording_problem = ""

    def _move(self, settings: Settings) -> None:
        """Begins a new session for another home, since a session has one home."""
        self._settings = settings
        now_utc_s = self._clock.utc_s()
        self._writer.put(self._recorder.end(now_utc_s))
        self._writer.put(self._recorder.begin(now_utc_s, station_json(settings)))

    def _take_notes(self, daemon: Daemon) -> None:
        """Records the commands, dial steps and keying edges noted since the last call."""
        recorder = self._recorder
        notes = daemon.notes.after(self._noted)
        self._noted = daemon.notes.count
        self._writer.put(recorder.commands(notes))
        self._writer.put(recorder.steps(daemon.link.steps.take()))
        self._writer.put(recorder.edges(daemon.transmitting.edges.take()))

    def _choice(self, snapshot: Snapshot) -> Choice:
        """Returns the operator's choices as of a snapshot."""
        return Choice(
            clean(snapshot.band),
            snapshot.sked_hz,
            snapshot.tx_sked_hz,
            snapshot.agreement,
            clean(snapshot.partner),
            snapshot.rx_trim_hz,
            snapshot.tx_trim_hz,
            snapshot.correcting,
            clean(snapshot.sked),
            snapshot.over_s,
        )
