"""The composition root: builds the parts, runs them in one task group, and takes them down in
order.

Owns no behaviour of its own. The daemon never keys a radio; on the way out it undoes its
correction."""

from __future__ import annotations

import asyncio
import logging
import math
import signal
from collections.abc import Callable, Coroutine
from typing import Any

from moontrim.app.transmitting import Transmitting
from moontrim.app.whereabouts import Whereabouts
from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.errors import BusyError
from moontrim.gps.timecheck import gps_reader
from moontrim.path import Ephemeris
from moontrim.rig.link import RigLink
from moontrim.rig.view import ANSWERING, Updated
from moontrim.session.commands import Command
from moontrim.session.session import Session
from moontrim.session.sessionfile import SessionSaver, load_session
from moontrim.state.hub import StateHub
from moontrim.state.snapshot import Surroundings, Tracking
from moontrim.timekeeping.clockjumps import ClockWatch
from moontrim.timekeeping.sources import readers_for
from moontrim.timekeeping.trust import ClockTrust
from moontrim.tracking.commandlog import CommandLog
from moontrim.tracking.inbox import Inbox, Request
from moontrim.tracking.tracker import Tracker
from moontrim.tuning.steps import nearest
from moontrim_drivers.contract import RigDriver
from moontrim_drivers.registry import load

log = logging.getLogger(__name__)

FAREWELL_S = 2.5

# A task that runs beside the daemon (a view, a remote control, a simulated operator) and is
# cancelled first.
Companion = Callable[["Daemon"], Coroutine[Any, Any, None]]


class Daemon:
    """One radio kept on frequency. Make it inside the event loop; `run` once."""

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
        # What companions want the operator to know; each sets its own.
        self.problems: Callable[[], tuple[str, ...]] = tuple
        folder = settings.state_path()
        self.saver = SessionSaver(folder, clock)
        session = load_session(folder, settings)
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
        watch = ClockWatch(clock, clock.suspended_s)
        self.whereabouts = Whereabouts(
            settings,
            clock,
            ephemeris,
            lambda: self.tracker.session,
            witness=self._witness,
            moved=self.inbox.post,
            transmitting=self._may_be_transmitting,
        )
        readers = readers_for(clock, settings.clock, gps_reader(self.whereabouts.gps))
        self.clock_trust = ClockTrust(clock, watch, settings.clock, readers)
        self.transmitting = Transmitting(
            settings,
            clock,
            self.link,
            self.hub,
            changed=lambda: self.inbox.post(Updated(asked=True)),
            clock_doubt=self.clock_trust.doubt,
            home_doubt=self.whereabouts.doubt,
            note=self.notes.note,
        )
        self.tracker = Tracker(
            settings,
            ephemeris,
            clock,
            session,
            self.link,
            self.inbox,
            self.hub,
            self.saver,
            watch,
            lambda: self.transmitting.keyer.view,
            self.transmitting.about_to,
            self._surroundings,
            self.notes.note,
        )

    @property
    def settings(self) -> Settings:
        """Those of the config, with home where it is now."""
        return self.tracker.settings

    @property
    def session(self) -> Session:
        """What is chosen now, also what the state does not show yet."""
        return self.tracker.session

    def clock_bound_s(self) -> float | None:
        """UTC may be wrong by so much; None if nobody knows."""
        bound_s = self.clock_trust.error_bound_s()
        return bound_s if math.isfinite(bound_s) else None

    def _witness(self, ahead_low_s: float, ahead_high_s: float, who: str) -> None:
        self.clock_trust.compare_with(ahead_low_s, ahead_high_s, who)

    def _may_be_transmitting(self) -> bool:
        return self.transmitting.transmitting()

    def _surroundings(self, rate_hz_per_s: float) -> Surroundings:
        warnings = self.problems() + self.whereabouts.warnings()
        if self.saver.problem:
            warnings = (f"session: {self.saver.problem}", *warnings)
        return Surroundings(self.clock_trust.view(rate_hz_per_s), warnings)

    async def run(self, *companions: Companion) -> None:
        """Run until `stop` is set, then shut down in reverse order of start.

        A part that fails stops the others in that same order, so that the radio is told to receive
        while there is still a link to it; then an ExceptionGroup says what failed."""
        failures: list[Exception] = []

        async def part(running: Coroutine[Any, Any, None]) -> None:
            try:
                await running
            except Exception as error:
                failures.append(error)
                self.stop.set()

        async with asyncio.TaskGroup() as group:
            saver = group.create_task(part(self.saver.run()), name="saver")
            trust = group.create_task(part(self.clock_trust.run()), name="clock trust")
            gps = group.create_task(part(self.whereabouts.run()), name="GPS")
            link = group.create_task(part(self.link.run()), name="rig link")
            tracker = group.create_task(part(self.tracker.run()), name="tracker")
            transmitting = group.create_task(part(self.transmitting.run()), name="transmitting")
            beside = [
                group.create_task(part(companion(self)), name=f"companion {index}")
                for index, companion in enumerate(companions)
            ]
            await self.stop.wait()
            # Unkeyed in order while the link still lives, and whoever tells a networked relay to
            # fall; nobody can ask for the key any more.
            transmitting.cancel()
            await asyncio.wait([transmitting])
            for task in (*beside, gps, trust):
                task.cancel()
            tracker.cancel()
            await self._farewell(link)
            saver.cancel()
        await self.saver.flush()
        if failures:
            raise ExceptionGroup("a part of the daemon failed", failures)

    async def ask(self, command: Command) -> Session:
        """Have the tracker apply a command; the session it led to.

        InputError when it is not allowed, BusyError when too many are waiting."""
        answer: asyncio.Future[Session] = asyncio.get_running_loop().create_future()
        if not self.inbox.post(Request(command, answer)):
            raise BusyError("too many requests at once; try again")
        return await answer

    async def _farewell(self, link: asyncio.Task[None]) -> None:
        """Leave the dial as configured, and end the link within a bounded time whatever the
        radio does."""
        self.link.retire(*self._farewell_dials())
        try:
            async with self.clock.timeout(FAREWELL_S):
                await asyncio.shield(link)
        except TimeoutError:
            log.warning("the radio did not answer in time to put its dial back")
            link.cancel()

    def _farewell_dials(self) -> tuple[int | None, int | None]:
        latest, session = self.hub.latest, self.tracker.session
        hands_off = latest is not None and latest.tracking in (
            Tracking.PAUSED,
            Tracking.YIELDING,
            Tracking.OUTSIDE_BAND,
        )
        if self.settings.radio.on_exit == "stay" or hands_off:
            return None, None
        if self.link.view.state not in ANSWERING:
            return None, None
        band = self.settings.band(session.band)
        rx_hz = band.band().dial_hz(session.band_choices(self.settings).sked_hz)
        tx_hz = band.tx_band().dial_hz(session.tx_sked_hz(self.settings))
        return nearest(rx_hz, band.dial_resolution_hz), nearest(tx_hz, band.dial_resolution_hz)

    def stop_on_signals(self) -> None:
        """SIGTERM and SIGINT end the run in order."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self.stop.set)
