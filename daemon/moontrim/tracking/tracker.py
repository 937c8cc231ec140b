"""The 1 Hz loop: what ought to be on the air in the coming second, and who may change that.

The only writer of the session and of the state. Everything that wants something (a phone, a knob,
the rig link) puts it into one bounded inbox, which only this loop reads. It never waits for the
radio, a disk or a reader: plans go to the rig link, sessions to the saver, snapshots to the hub,
all without waiting."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable

from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.errors import CoverageError, InputError, MoontrimError
from moontrim.keying.view import KeyingView
from moontrim.path import Ephemeris
from moontrim.rig.link import RigLink
from moontrim.rig.view import (
    Connected,
    DialMoved,
    Inhibited,
    Lost,
    NotUnkeyed,
    TransmitChanged,
    Updated,
)
from moontrim.session.commands import ReadBack
from moontrim.session.selection import Chosen
from moontrim.session.session import Session
from moontrim.session.sessionfile import SessionSaver
from moontrim.state.assessment import Hindrances, assess
from moontrim.state.hub import StateHub
from moontrim.state.snapshot import Change, Fault, Outlook, Snapshot, Surroundings, Tracking
from moontrim.timekeeping.clockjumps import ClockWatch
from moontrim.tracking.handondial import PUT_BACK_TIMES, YIELD_S, Hand
from moontrim.tracking.inbox import HomeMoved, Inbox, Item, Request
from moontrim.tracking.planning import AHEAD_S, Planning
from moontrim.tuning.correction import OnAir
from moontrim.tuning.steps import Plan

log = logging.getLogger(__name__)

MOST_FAULTS = 200  # kept; older ones are in the log and the journal


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
        watch: ClockWatch,
        keying: Callable[[], KeyingView],
        about_to_transmit: Callable[[], bool],
        surroundings: Callable[[float], Surroundings],
        note: Callable[[str, str, str], object],
    ) -> None:
        self.session = session
        self.missed_seconds = 0
        self.ticks = 0
        self.faults: tuple[Fault, ...] = ()
        self.settings = settings
        self._clock = clock
        self._link = link
        self._inbox = inbox
        self._hub = hub
        self._saver = saver
        self._keying = keying
        self._about_to_transmit = about_to_transmit
        self._surroundings = surroundings
        self._note = note  # by whom, what, and what became of it
        self._ephemeris = ephemeris
        self._planned_to_transmit = False
        self._planning = Planning(settings, ephemeris, session)
        self._plan: Plan | None = None
        self._planned_to_utc_s = 0.0
        self._prediction_problem = ""
        self._last_change: Change | None = None
        self._outlook: Outlook | None = None
        self._hand = Hand()
        self._news = False  # is there something that readers do not know of yet?
        self._watch = watch
        link.permit_transmit(session.transmit_permitted)

    async def run(self) -> None:
        """Tick just ahead of every UTC second; deal with the inbox as soon as anything is in it."""
        second = math.floor(self._clock.utc_s() + AHEAD_S)  # begin at once with the present second
        self._tick(second)
        while True:
            remaining_s = second + 1 - AHEAD_S - self._clock.utc_s()
            woken = remaining_s > 0.0 and await self._clock.wait(
                self._inbox.wake, min(remaining_s, 1.0)
            )
            # Also when woken, or who keeps asking would keep a clock set back from being noticed.
            if self._clock_stepped():
                second = math.floor(self._clock.utc_s() + AHEAD_S)
                self._tick(second)
            if woken:
                self._handle(self._inbox.drain())
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
        self._planned_to_transmit = self._about_to_transmit()
        try:
            self._plan = self._planning.plan(
                self.session,
                self._link.view,
                start_utc_s,
                end_utc_s,
                about_to_transmit=self._planned_to_transmit,
            )
        except CoverageError as error:
            if not self._prediction_problem:
                self._fault(str(error))
            self._prediction_problem = str(error)
            self._plan = None
            # What still waits for its instant would be taken whenever the clock is put right.
            self._link.withdraw()
            return
        self._prediction_problem = ""
        if self.session.correcting and not self._yielding() and not self._hand.away:
            self._link.submit(self._plan, at_once=at_once)
        else:
            self._link.withdraw()

    def ideal(self, utc_s: float) -> OnAir:
        """What should be on the air at an instant by session and path. Raises CoverageError."""
        return self._planning.ideal(self.session, utc_s)

    def _chosen(self) -> Chosen:
        return self._planning.chosen(self.session)

    def _clock_stepped(self) -> bool:
        step_s = self._watch.step_s()
        if step_s == 0.0:
            return False
        self._fault(self._watch.last_event)
        self._planned_to_utc_s = 0.0
        return True

    # --- the inbox --------------------------------------------------------------------------------

    def _handle(self, items: list[Item]) -> None:
        decisive = [self._take(item) for item in items]
        if any(decisive) or self._planned_to_transmit != self._about_to_transmit():
            self._replan()
        # A dial about to move would show as off frequency; `Updated` or the next tick says how it
        # is. On frequency, a step is no news.
        self._news |= any(not isinstance(item, Updated) or item.asked for item in items)
        if self._news and not self._link.moving:
            self._publish()

    def _take(self, item: Item) -> bool:
        """Deal with one item. True if the plan may have to change."""
        match item:
            case Request():
                self._obey(item)
            case DialMoved():
                self._dial_moved(item)
            case Lost():
                self._fault(f"radio: {item.reason}")
            case NotUnkeyed():
                self._fault(f"radio transmits without permission and will not stop: {item.reason}")
            case Inhibited():
                self._fault(f"must not transmit: {item.reason}")
            case Connected():
                self._hand.away = ""
                self._enter_band()
                log.info("radio connected, dial %d Hz", item.rig.rx_dial_hz)
            case TransmitChanged():
                log.info("%s", "transmitting" if item.transmitting else "receiving")
            case HomeMoved():
                self.settings = self.settings.model_copy(update={"home": item.home})
                self._planning = Planning(self.settings, self._ephemeris, self.session)
            case Outlook():
                self._outlook = item
                return False
            case Updated():
                return False
        return True

    def _obey(self, request: Request) -> None:
        command = request.command
        try:
            changed = command.apply(self.session, self.settings)
        except InputError as error:
            log.warning("%s: refused: %s", command.source, error)
            self._note(command.source, str(command), str(error))
            request.refused(error)
            return
        if isinstance(command, ReadBack):
            self._link.look_now()
        else:
            self._become(changed, command.source, str(command))
            self._hand.gone()
        log.info("%s: %s", command.source, command)
        self._note(command.source, str(command), "done")
        request.done(changed)

    def _become(self, session: Session, by: str, what: str) -> None:
        if session.transmit_permitted != self.session.transmit_permitted:
            self._link.permit_transmit(session.transmit_permitted)
        before, self.session = self.session, session
        if (session.band, session.correcting) != (before.band, before.correcting):
            self._enter_band(changing=session.band != before.band)
        self._last_change = Change(by, what, self._clock.utc_s())
        self._saver.put(session)

    def _enter_band(self, *, changing: bool = False) -> None:
        """Paused, the radio is left alone, to be used for something else."""
        entry = self._chosen().band_settings.entry() if self.session.correcting else None
        self._link.enter(entry, changing=changing)

    def _dial_moved(self, moved: DialMoved) -> None:
        """Follow the receive dial, or put it back, as configured; a transmit dial moved alone is
        put back. Never argue: see `hand`."""
        if not self.session.correcting:
            return
        where = f"{moved.which} dial moved from {moved.from_hz} to {moved.to_hz} Hz"
        if self.settings.radio.when_turned == "follow" and moved.which == "rx":
            try:
                self._follow(moved.to_hz)
            except MoontrimError as error:
                self._hand.away = f"{where}, not followed: {error}"
                self._fault(self._hand.away)
            else:
                self._hand.away = ""
        elif self._hand.may_put_back(self._clock.monotonic_s()):
            log.info("%s: put back", where)
        else:
            self._fault(
                f"{where}; it was put back {PUT_BACK_TIMES} times, left alone for {YIELD_S:.0f} s"
            )

    def _follow(self, rx_dial_hz: int) -> None:
        received_hz = self._chosen().band.on_air_hz(rx_dial_hz)
        sked_hz = self._planning.sked_hz_for_received(
            self.session, received_hz, self._clock.utc_s()
        )
        followed = self.session.with_band_choices(self.settings, sked_hz=sked_hz)
        self._become(followed, "dial", f"sked {sked_hz:.0f} Hz")
        self._note("dial", f"sked {sked_hz:.0f} Hz", "done")
        log.info("dial turned: sked is now %.0f Hz", sked_hz)

    def _yielding(self) -> bool:
        return self._hand.yielding(self._clock.monotonic_s())

    def _fault(self, text: str) -> None:
        log.warning("%s", text)
        self.faults = (*self.faults[1 - MOST_FAULTS :], Fault(self._clock.utc_s(), text))

    # --- the state --------------------------------------------------------------------------------

    def _publish(self) -> None:
        now = self._clock.utc_s()
        session, choices = self.session, self._chosen()
        here = choices.choices
        link = self._link.view
        seen = assess(
            now,
            self._plan,
            (choices.band, choices.tx_band),
            (here.sked_hz, choices.tx_sked_hz),
            link,
            Hindrances(
                not session.correcting, self._yielding(), self._hand.away, self._prediction_problem
            ),
        )
        self._news = seen.tracking is not Tracking.ON_FREQUENCY
        try:
            moon = self._planning.moon(session, now)
        except CoverageError:
            moon = None  # just after a step of the clock, before the next tick
        around = self._surroundings(seen.rx.rate_hz_per_s if seen.rx else math.nan)
        self._hub.publish(
            Snapshot(
                utc_s=now,
                tracking=seen.tracking,
                reason=seen.reason,
                band=session.band,
                sked_hz=here.sked_hz,
                agreement=session.agreement,
                partner=choices.partner,
                trim_rx_hz=here.trim_rx_hz,
                trim_tx_hz=here.trim_tx_hz,
                correcting=session.correcting,
                transmitting=link.rig.transmitting if link.rig else None,
                moon=moon,
                rx=seen.rx,
                tx=seen.tx,
                link=link,
                ticks=self.ticks,
                missed_seconds=self.missed_seconds,
                faults=self.faults,
                last_change=self._last_change,
                keying=self._keying(),
                transmit_permitted=session.transmit_permitted,
                outlook=self._outlook,
                clock=around.clock,
                warnings=around.warnings,
            )
        )
