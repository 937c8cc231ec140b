"""The composition root: builds the parts, runs them in one task group, and ends them in order.

Parts know only what is built before them, so calls go one way. At the end the radio is unkeyed and
its dials go back to the sked frequency while there is a link to it."""

from __future__ import annotations

import asyncio
import logging
import math
import signal
from collections.abc import Callable, Coroutine
from typing import Any

from moontrim.app.conditions import StationConditions
from moontrim.app.surroundings import SurroundingsReader, radio_warnings, session_warnings
from moontrim.app.transmitting import Transmitting
from moontrim.app.whereabouts import Whereabouts
from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.errors import BusyError
from moontrim.gps.receiver import GpsWatch
from moontrim.gps.timecheck import gps_reader
from moontrim.path import Ephemeris
from moontrim.rig.link import RigLink
from moontrim.rig.view import ANSWERING, Updated
from moontrim.session.commands import Command
from moontrim.session.current import CurrentSession
from moontrim.session.saver import SessionSaver
from moontrim.session.session import Session
from moontrim.state.hub import StateHub
from moontrim.state.snapshot import Tracking
from moontrim.timekeeping.clockjumps import ClockWatch
from moontrim.timekeeping.sources import readers_for
from moontrim.timekeeping.trust import ClockTrust
from moontrim.tracking.changes import Changes
from moontrim.tracking.commandlog import CommandLog
from moontrim.tracking.handondial import TurnedDial
from moontrim.tracking.inbox import Inbox, Request, StationFault
from moontrim.tracking.planning import Planning
from moontrim.tracking.publisher import Publisher
from moontrim.tracking.record import TrackingRecord
from moontrim.tracking.refusals import Refusals
from moontrim.tracking.submitter import PlanSubmitter
from moontrim.tracking.tracker import Tracker
from moontrim.tuning.steps import nearest
from moontrim_drivers.contract import RigDriver
from moontrim_drivers.registry import load

log = logging.getLogger(__name__)

FAREWELL_S = 2.5  # chosen: enough to restore a slow radio's dial; service managers wait longer

# A task that runs beside the daemon (a view, a remote control, a simulated operator); cancelled
# before the link.
Companion = Callable[["Daemon"], Coroutine[Any, Any, None]]


class Daemon:
    """Keeps one radio on frequency. Made inside the event loop; `run` once."""

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        ephemeris: Ephemeris,
        driver: RigDriver | None = None,
        seed: int | None = None,
    ) -> None:
        self.clock = clock
        self.ephemeris = ephemeris
        self.inbox = Inbox()
        self.hub = StateHub()
        self.stop = asyncio.Event()
        self.notes = CommandLog(clock.utc_s)
        self.saver = SessionSaver(settings.state_path(), settings, clock)
        self.current = CurrentSession(settings, self.saver.loaded, self.saver.put)
        radio = settings.radio
        if driver is None:
            driver = load(radio.driver)(radio.driver_options(), clock)
        self.link = RigLink(
            driver,
            clock,
            self.inbox.post,
            deadline_s=radio.deadline_s,
            poll_s=radio.poll_s,
            max_steps_per_s=radio.max_steps_per_s,
            seed=seed,
        )
        self.link.allow_transmit(
            self.session.tx_allowed,
            front_end_confirmed=self.session.front_end_confirmed(settings),
        )
        watch = ClockWatch(clock, clock.suspended_s)
        gps = GpsWatch(settings.gps, clock, lambda text: self.inbox.post(StationFault(text)))
        self.clock_trust = ClockTrust(
            clock, watch, settings.clock, readers_for(clock, settings.clock, gps_reader(gps))
        )
        self.whereabouts = Whereabouts(
            clock, ephemeris, self.current, gps, self.clock_trust.compare_with, self.inbox.post
        )
        self.transmitting = Transmitting(
            settings,
            clock,
            self.link,
            self.hub,
            StationConditions(
                settings,
                clock,
                self.link,
                self.hub,
                self.clock_trust.doubt,
                self.whereabouts.doubt,
            ),
            changed=lambda: self.inbox.post(Updated(on_request=True)),
            note=self.notes.note,
        )
        self.surroundings = SurroundingsReader(
            self.clock_trust, lambda: self.transmitting.keyer.view
        )
        self.surroundings.register("session", lambda: session_warnings(self.saver))
        self.surroundings.register("trim", lambda: self.session.trim_warnings(self.settings))
        self.surroundings.register("radio", lambda: radio_warnings(self.link.view))
        self.surroundings.register("front end", self._front_end_warnings)
        self.surroundings.register("guard", self.transmitting.guard.warnings)
        self.surroundings.register("GPS", self.whereabouts.warnings)
        self.planning = Planning(self.current, ephemeris)
        self.record = TrackingRecord(clock.utc_s)
        self.tracker = self._make_tracker(watch)

    def _make_tracker(self, watch: ClockWatch) -> Tracker:
        clock, planning, link, record = self.clock, self.planning, self.link, self.record
        turned = TurnedDial()
        return Tracker(
            clock,
            watch,
            self.inbox,
            Changes(
                clock,
                self.current,
                planning,
                link,
                turned,
                record,
                Refusals(self.saver.allow_refused, self.transmitting.in_over, lambda: link.view),
                self.notes.note,
            ),
            PlanSubmitter(
                clock, self.current, planning, link, turned, record, self.transmitting.about_to
            ),
            Publisher(
                clock,
                planning,
                link,
                self.hub,
                record,
                self.surroundings.read,
                self.transmitting.standing.at,
            ),
            record,
        )

    @property
    def settings(self) -> Settings:
        """The settings of the config file, with home where it is now."""
        return self.current.settings

    @property
    def session(self) -> Session:
        """The session in force, also what no snapshot shows yet."""
        return self.current.session

    def clock_bound_s(self) -> float | None:
        """Returns the largest error of the clock in seconds; None if not known."""
        bound_s = self.clock_trust.error_bound_s()
        return bound_s if math.isfinite(bound_s) else None

    def _front_end_warnings(self) -> tuple[str, ...]:
        session, settings = self.session, self.settings
        doubts = self.transmitting.front_end_warnings()
        if session.front_end_confirmed(settings):
            return doubts
        front_end = session.present_front_end(settings)
        return (f"front end {front_end} not confirmed as connected", *doubts)

    async def run(self, *companions: Companion) -> None:
        """Runs until `stop` is set, then shuts down in reverse order of start.

        A part that fails stops the others in that same order, so that the radio is set to receive
        while there is a link to it. Raises ExceptionGroup with what failed."""
        failures: list[Exception] = []
        if not await self.saver.begin():
            self.current.change(self.session.model_copy(update={"tx_allowed": False}))
            self.link.allow_transmit(
                False, front_end_confirmed=self.session.front_end_confirmed(self.settings)
            )

        async def part(running: Coroutine[Any, Any, None]) -> None:
            try:
                await running
            except Exception as error:
                failures.append(error)
                self.stop.set()

        async with asyncio.TaskGroup() as group:
            saver = group.create_task(part(self.saver.run()), name="saver")
            trust = group.create_task(part(self.clock_trust.run()), name="clock trust")
            whereabouts = self.whereabouts.run(self.transmitting.transmitting)
            gps = group.create_task(part(whereabouts), name="GPS")
            link = group.create_task(part(self.link.run()), name="rig link")
            tracker = group.create_task(part(self.tracker.run()), name="tracker")
            transmitting = group.create_task(part(self.transmitting.run()), name="transmitting")
            beside = [
                group.create_task(part(companion(self)), name=f"companion {index}")
                for index, companion in enumerate(companions)
            ]
            await self.stop.wait()
            # First, while the link and the connection to networked relays live: unkeyed in order;
            # nothing can be keyed any more.
            transmitting.cancel()
            await asyncio.wait([transmitting])
            for task in (*beside, gps, trust):
                task.cancel()
            tracker.cancel()
            await self._farewell(link)
            saver.cancel()
        await self.saver.finish()
        if failures:
            raise ExceptionGroup("a part of the daemon failed", failures)

    async def ask(self, command: Command) -> Session:
        """Has the tracker apply a command and returns the session it led to.

        Raises InputError when it is not allowed, BusyError when too many are waiting."""
        answer: asyncio.Future[Session] = asyncio.get_running_loop().create_future()
        if not self.inbox.post(Request(command, answer)):
            raise BusyError("too many requests at once; try again")
        return await answer

    async def unsaved(self, clock: Clock) -> str:
        """Waits until the session in force is on disk, for a limited time by this clock; returns
        why it is not, empty if it is."""
        return await self.saver.unsaved(clock)

    async def _farewell(self, link: asyncio.Task[None]) -> None:
        """Leaves the dials as configured and ends the link, within FAREWELL_S whatever the radio
        does."""
        self.link.retire(*self._farewell_dials())
        try:
            async with self.clock.timeout(FAREWELL_S):
                await asyncio.shield(link)
        except TimeoutError:
            log.warning("dial not restored at exit: no reply from the radio in time")
            link.cancel()

    def _farewell_dials(self) -> tuple[int | None, int | None]:
        latest, session = self.hub.latest, self.session
        left_alone = latest is not None and latest.tracking in (
            Tracking.PAUSED,
            Tracking.DIAL_IN_USE,
            Tracking.OTHER_PROGRAM,
            Tracking.OUTSIDE_BAND,
        )
        if self.settings.radio.on_exit == "leave" or left_alone:
            return None, None
        if self.link.view.state not in ANSWERING:
            return None, None
        band = self.settings.band(session.band)
        rx_hz = band.band().dial_hz(session.band_choices(self.settings).sked_hz)
        tx_hz = band.tx_band().dial_hz(session.tx_sked_hz(self.settings))
        return nearest(rx_hz, band.dial_resolution_hz), nearest(tx_hz, band.dial_resolution_hz)

    def stop_on_signals(self) -> None:
        """Has SIGTERM and SIGINT end the run in order."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self.stop.set)
