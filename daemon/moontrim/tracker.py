"""The 1 Hz loop: what ought to be on the air in the coming second, and who may change that.

The only writer of the session and of the state. Everything that wants something (a phone, a knob,
the rig link) puts it into one bounded inbox, which only this loop reads. It never waits for the
radio, a disk or a reader: plans go to the rig link, sessions to the saver, snapshots to the hub,
all without waiting."""

from __future__ import annotations

import asyncio
import logging
import math
from collections import deque

from moontrim.assess import Hindrances, assess
from moontrim.clock import Clock
from moontrim.correction import Fractions, OnAir, on_air, sked_from_received
from moontrim.errors import CoverageError, InputError, MoontrimError
from moontrim.path import DelayModel, Ephemeris
from moontrim.planner import Plan, WhileTransmitting, plan_stretch
from moontrim.riglink import Connected, DialMoved, LinkEvent, Lost, RigLink, TransmitChanged
from moontrim.session import Command, Session
from moontrim.settings import BandSettings, Settings
from moontrim.state import Fault, MoonView, Snapshot, StateHub
from moontrim.store import SessionSaver

log = logging.getLogger(__name__)

AHEAD_S = 0.3  # a second is planned this long before it begins
STEP_OF_CLOCK_S = 0.05
INBOX_SIZE = 64
DISPUTE_WRITES, DISPUTE_WINDOW_S, YIELD_S = 3, 10.0, 10.0


class Inbox:
    """Bounded, in order, never blocking. A full inbox refuses: better a lost request than a
    lost second."""

    def __init__(self) -> None:
        self._items: deque[Command | LinkEvent] = deque()
        self.wake = asyncio.Event()

    def post(self, item: Command | LinkEvent) -> bool:
        if len(self._items) >= INBOX_SIZE:
            log.warning("inbox full, dropped %s", type(item).__name__)
            return False
        self._items.append(item)
        self.wake.set()
        return True

    def drain(self) -> list[Command | LinkEvent]:
        items = list(self._items)
        self._items.clear()
        self.wake.clear()
        return items


class Tracker:
    """Keeps one radio on frequency. `run` never returns but by cancellation."""

    def __init__(
        self,
        settings: Settings,
        ephemeris: Ephemeris,
        clock: Clock,
        session: Session,
        link: RigLink,
        inbox: Inbox,
        hub: StateHub,
        saver: SessionSaver,
        warnings: tuple[str, ...] = (),
    ) -> None:
        self.session = session
        self.missed_seconds = 0
        self.ticks = 0
        self.faults: list[Fault] = []
        self._settings = settings
        self._ephemeris = ephemeris
        self._clock = clock
        self._link = link
        self._inbox = inbox
        self._hub = hub
        self._saver = saver
        self._warnings = warnings
        self._model, self._model_for = self._new_model(), session.partner
        self._plan: Plan | None = None
        self._planned_to_utc_s = 0.0
        self._prediction_problem = ""
        self._changed_by = "start"
        self._put_back_at_s: deque[float] = deque(maxlen=DISPUTE_WRITES)
        self._yield_until_s = 0.0
        self._away = ""  # why a dial that was turned could not be followed
        self._utc_minus_monotonic_s = clock.utc_s() - clock.monotonic_s()

    async def run(self) -> None:
        """Tick just ahead of every UTC second; deal with the inbox as soon as anything is in it."""
        second = math.floor(self._clock.utc_s() + AHEAD_S)  # begin at once with the present second
        self._tick(second)
        while True:
            remaining_s = second + 1 - AHEAD_S - self._clock.utc_s()
            if remaining_s > 0.0 and await self._clock.wait(
                self._inbox.wake, min(remaining_s, 1.0)
            ):
                self._handle(self._inbox.drain())
                continue
            if self._clock_stepped():
                second = math.floor(self._clock.utc_s() + AHEAD_S)
                self._tick(second)
                continue
            due = math.floor(self._clock.utc_s() + AHEAD_S)
            if due <= second:
                continue
            if due > second + 1:
                self.missed_seconds += due - second - 1
                self._fault(f"{due - second - 1} seconds missed: the machine was too busy")
            second = due
            self._tick(second)

    # --- one second -------------------------------------------------------------------------------

    def _tick(self, second: int) -> None:
        self.ticks += 1
        self._plan_to(
            max(float(second), self._now_if_unplanned(second)), second + 1.0, at_once=False
        )
        self._publish()

    def _now_if_unplanned(self, second: int) -> float:
        """Nothing is planned up to this second (start, late tick, step): begin now, not later."""
        planned = abs(self._planned_to_utc_s - second) < 0.5
        return float(second) if planned else self._clock.utc_s()

    def _replan(self) -> None:
        """Something changed: plan afresh from now to the end of what is already planned."""
        now = self._clock.utc_s()
        end = max(self._planned_to_utc_s, math.floor(now) + 1.0)
        self._plan_to(now, end, at_once=True)

    def _plan_to(self, start_utc_s: float, end_utc_s: float, *, at_once: bool) -> None:
        self._planned_to_utc_s = end_utc_s
        at_once = at_once or start_utc_s != math.floor(start_utc_s)
        try:
            self._use_model_of_partner()
            self._model.prepare(start_utc_s)
            at_start = self._on_air(start_utc_s)
            at_end = self._on_air(end_utc_s)
        except CoverageError as error:
            if not self._prediction_problem:
                self._fault(str(error))
            self._prediction_problem = str(error)
            self._plan = None
            return
        self._prediction_problem = ""
        rig = self._link.view.rig
        self._plan = plan_stretch(
            self._band().band(),
            start_utc_s,
            end_utc_s,
            at_start,
            at_end,
            resolution_hz=max(self._band().dial_resolution_hz, self._link.view.dial_resolution_hz),
            split=self._link.view.split,
            transmitting=bool(rig and rig.transmitting),
            while_transmitting=self._policy(),
            steps_per_s=self._link.view.steps_per_s,
        )
        if self.session.correcting and not self._yielding() and not self._away:
            self._link.submit(self._plan, at_once=at_once)

    def _on_air(self, utc_s: float) -> OnAir:
        """Ideal on-air frequencies for the rig at an instant; for `mid_over`, while receiving,
        transmit as it will be half an over later, so that the dial is right for the middle of an
        over begun now."""
        now = self.ideal(utc_s)
        rig = self._link.view.rig
        if self._policy() == "mid_over" and not (rig and rig.transmitting):
            return OnAir(now.rx_hz, self.ideal(utc_s + self._band().over_s / 2).tx_hz)
        return now

    def ideal(self, utc_s: float) -> OnAir:
        """What should be on the air at an instant by session and path. Raises CoverageError."""
        here = self.session.here(self._settings)
        return on_air(
            self.session.agreement,
            here.sked_hz,
            self._fractions(utc_s),
            here.trim_rx_hz,
            here.trim_tx_hz,
        )

    def _fractions(self, utc_s: float) -> Fractions:
        leg = self._model.leg
        if self.session.agreement == "halves":  # the others' legs are not needed
            return Fractions(leg("to_moon", utc_s)[0], leg("from_moon", utc_s)[0], 0.0, 0.0)
        if self.session.agreement == "partner":
            return Fractions(0.0, 0.0, 0.0, 0.0)
        return Fractions(0.0, 0.0, leg("from_partner", utc_s)[0], leg("to_partner", utc_s)[0])

    def _policy(self) -> WhileTransmitting:
        return self._band().while_transmitting

    def _band(self) -> BandSettings:
        return self._settings.band(self.session.band)

    def _use_model_of_partner(self) -> None:
        if self._model_for != self.session.partner:
            self._model, self._model_for = self._new_model(), self.session.partner

    def _new_model(self) -> DelayModel:
        return DelayModel(
            self._ephemeris,
            self._settings.home.site(),
            self.session.partner_site(self._settings),
            self._settings.troposphere,
        )

    def _clock_stepped(self) -> bool:
        difference_s = self._clock.utc_s() - self._clock.monotonic_s()
        step_s = difference_s - self._utc_minus_monotonic_s
        self._utc_minus_monotonic_s = difference_s
        if abs(step_s) < STEP_OF_CLOCK_S:
            return False
        self._fault(f"the clock stepped by {step_s:+.3f} s")
        self._planned_to_utc_s = 0.0
        return True

    # --- the inbox --------------------------------------------------------------------------------

    def _handle(self, items: list[Command | LinkEvent]) -> None:
        for item in items:
            match item:
                case Command():
                    self._obey(item)
                case DialMoved():
                    self._dial_moved(item)
                case Lost():
                    self._fault(f"radio: {item.reason}")
                case Connected():
                    self._away = ""
                    log.info("radio connected, dial %d Hz", item.rig.rx_dial_hz)
                case TransmitChanged():
                    log.info("%s", "transmitting" if item.transmitting else "receiving")
        self._replan()
        # Just connected, the dial is about to move: the next tick says how it is.
        if not all(isinstance(item, Connected) for item in items):
            self._publish()

    def _obey(self, command: Command) -> None:
        try:
            changed = command.apply(self.session, self._settings)
        except InputError as error:
            log.warning("%s: refused: %s", command.source, error)
            return
        self._become(changed, command.source)
        self._yield_until_s, self._away = 0.0, ""
        log.info("%s: %s", command.source, command)

    def _become(self, session: Session, source: str) -> None:
        self.session = session
        self._changed_by = source
        self._saver.put(session)

    def _dial_moved(self, moved: DialMoved) -> None:
        """Follow the receive dial, or put it back, as configured; a transmit dial moved alone is
        put back. Never argue: a dial turned to where it cannot be followed is left alone until it
        comes back, someone gives a command or the radio reconnects; after a few writes against the
        same hand, leave it a while."""
        if not self.session.correcting:
            return
        where = f"{moved.which} dial moved from {moved.from_hz} to {moved.to_hz} Hz"
        if self._settings.radio.when_turned == "follow" and moved.which == "rx":
            try:
                self._follow(moved.to_hz)
                log.info(
                    "%s: sked is now %.0f Hz", where, self.session.here(self._settings).sked_hz
                )
                self._away = ""
            except MoontrimError as error:
                self._away = f"{where}, not followed: {error}"
                self._fault(self._away)
            return
        now_s = self._clock.monotonic_s()
        writes = self._put_back_at_s
        if len(writes) == DISPUTE_WRITES and now_s - writes[0] < DISPUTE_WINDOW_S:
            self._yield_until_s = now_s + YIELD_S
            self._fault(
                f"{where}; it was put back {DISPUTE_WRITES} times, left alone for {YIELD_S:.0f} s"
            )
            writes.clear()
            return
        writes.append(now_s)
        log.info("%s: put back", where)

    def _follow(self, rx_dial_hz: int) -> None:
        here = self.session.here(self._settings)
        received_hz = self._band().band().on_air_hz(rx_dial_hz)
        fractions = self._fractions(self._clock.utc_s())
        sked_hz = sked_from_received(
            self.session.agreement, received_hz, fractions, here.trim_rx_hz
        )
        self._become(self.session.with_here(self._settings, sked_hz=sked_hz), "dial")

    def _yielding(self) -> bool:
        return self._clock.monotonic_s() < self._yield_until_s

    def _fault(self, text: str) -> None:
        log.warning("%s", text)
        self.faults = [*self.faults[-199:], Fault(self._clock.utc_s(), text)]

    # --- the state --------------------------------------------------------------------------------

    def _publish(self) -> None:
        now = self._clock.utc_s()
        here = self.session.here(self._settings)
        link = self._link.view
        seen = assess(
            now,
            self._plan,
            self._band().band(),
            here.sked_hz,
            link,
            Hindrances(
                paused=not self.session.correcting,
                yielding=self._yielding(),
                away=self._away,
                prediction=self._prediction_problem,
            ),
        )
        self._hub.publish(
            Snapshot(
                utc_s=now,
                tracking=seen.tracking,
                reason=seen.reason,
                band=self.session.band,
                sked_hz=here.sked_hz,
                agreement=self.session.agreement,
                partner=self.session.partner_text(self._settings),
                trim_rx_hz=here.trim_rx_hz,
                trim_tx_hz=here.trim_tx_hz,
                correcting=self.session.correcting,
                transmitting=link.rig.transmitting if link.rig else None,
                moon=self._moon(now),
                rx=seen.rx,
                tx=seen.tx,
                link=link,
                ticks=self.ticks,
                missed_seconds=self.missed_seconds,
                last_fault=self.faults[-1] if self.faults else None,
                changed_by=self._changed_by,
                warnings=self._warnings,
            )
        )

    def _moon(self, utc_s: float) -> MoonView | None:
        if self._prediction_problem:
            return None
        now = self._model.moon(utc_s)
        alone = self.session.partner_site(self._settings) is None
        partner_elevation_deg = None if alone else now.partner_elevation_deg
        return MoonView(now.azimuth_deg, now.elevation_deg, partner_elevation_deg)
