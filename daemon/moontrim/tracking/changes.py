"""What commands, the dial and the radio's events change: the session, the record, and what the rig
link is asked to keep to."""

from __future__ import annotations

import logging
from collections.abc import Callable

from moontrim.clock.system import Clock
from moontrim.errors import InputError, MoontrimError, NotNowError
from moontrim.formats import grouped
from moontrim.rig.link import RigLink
from moontrim.rig.view import (
    Connected,
    DialMoved,
    DialTurning,
    Interlocked,
    Lost,
    NotUnkeyed,
    TransmitChanged,
    Updated,
)
from moontrim.session.agendacommands import FollowEntry
from moontrim.session.commands import Command, ReadBack, whole_hertz
from moontrim.session.current import CurrentSession
from moontrim.session.session import Session
from moontrim.session.skeds import ChooseSked, Undo
from moontrim.state.agendaview import AgendaView
from moontrim.state.snapshot import Outlook
from moontrim.tracking.handondial import IN_USE_S, MOST_RESTORES, TurnedDial
from moontrim.tracking.inbox import HomeMoved, Item, Request, StationFault
from moontrim.tracking.otherprogram import MOST_RATE_PER_S
from moontrim.tracking.planning import Planning
from moontrim.tracking.record import TrackingRecord
from moontrim.tracking.refusals import Refusals

log = logging.getLogger(__name__)

# Fields of a session that say nothing of where the dials belong; and the lists among them.
BESIDE_DIALS = {"tx_allowed", "front_end", "sked", "skeds", "agenda", "followed"}
LISTS = {"skeds", "agenda", "followed"}


class Changes:
    """Applies the items of the inbox, one after the other. The only writer of the session.

    refusals: what the present state forbids. note: called with who asked for what, and with what
    became of it."""

    def __init__(
        self,
        clock: Clock,
        current: CurrentSession,
        planning: Planning,
        link: RigLink,
        turned: TurnedDial,
        record: TrackingRecord,
        refusals: Refusals,
        note: Callable[[str, str, str], object],
    ) -> None:
        self._clock = clock
        self._current = current
        self._planning = planning
        self._link = link
        self._turned = turned
        self._record = record
        self._refusals = refusals
        self._note = note

    def take(self, item: Item) -> bool:
        """Applies one item. Returns whether the plan may have to change."""
        match item:
            case Request():
                self._obey(item)
            case DialMoved():
                self._dial_moved(item)
            case DialTurning():
                self._dial_turning(item)
            case Lost():
                self._record.fault(f"radio: {item.reason}; retrying")
            case NotUnkeyed():
                self._record.fault(
                    f"radio transmits although not allowed, cannot be unkeyed: {item.reason}"
                )
            case Interlocked():
                self._record.fault(f"TX interlock: {item.reason}")
            case Connected():
                self._turned.back()
                self._enter_band()
                log.info("radio connected, dial %s Hz", grouped(item.rig.rx_dial_hz))
            case TransmitChanged():
                log.info("%s", "transmitting" if item.transmitting else "receiving")
            case StationFault():
                self._record.fault(item.text)
                return False
            case HomeMoved():
                self._current.move_home(item.home)
            case Outlook() | AgendaView():
                self._record.replace(item)
                return False
            case Updated():
                return False
        return True

    def _obey(self, request: Request) -> None:
        command = request.command
        before, settings = self._current.session, self._current.settings
        try:
            changed = self._applied(command, before)
            self._refusals.check(before, changed, settings)
        except (InputError, NotNowError) as error:
            log.warning("%s: refused: %s", command.source, error)
            self._note(command.source, str(command), str(error))
            request.refused(error)
            return
        if isinstance(command, ReadBack):
            self._link.look_now()
        else:
            if changed.differs(before, but=BESIDE_DIALS):
                self._link.retuned()
                self._turned.other.retuned()
            self._change(changed, command.source, str(command), command)
            # Keeping lists, which the daemon does as well, is no reason to move a dial in use.
            if changed == before or changed.differs(before, but=LISTS):
                self._turned.command()
        log.info("%s: %s", command.source, command)
        self._note(command.source, str(command), "done")
        request.done(changed)

    def _applied(self, command: Command, before: Session) -> Session:
        """Returns the session after a command. Raises InputError, NotNowError."""
        settings = self._current.settings
        if isinstance(command, Undo):
            return self._record.undoing.undone(before, settings, self._clock.monotonic_s())
        changed = command.apply(before, settings)
        chooses = isinstance(command, ChooseSked | FollowEntry)
        return changed if chooses else self._off_sked(changed)

    def _off_sked(self, changed: Session) -> Session:
        """Returns a changed session without the name of a sked that it has left."""
        if changed.retuned_from(self._current.session, self._current.settings):
            return changed.model_copy(update={"sked": ""})
        return changed

    def _change(self, session: Session, by: str, what: str, command: Command | None = None) -> None:
        before = self._current.session
        settings = self._current.settings
        now_s, utc_s = self._clock.monotonic_s(), self._clock.utc_s()
        self._record.undoing.note(command, before, session, now_s, utc_s)
        permission = (session.tx_allowed, session.front_end_confirmed(settings))
        if permission != (before.tx_allowed, before.front_end_confirmed(settings)):
            self._link.allow_transmit(permission[0], front_end_confirmed=permission[1])
        self._current.change(session)
        if session.correcting != before.correcting:
            self._turned.other.end()
        if (session.band, session.correcting) != (before.band, before.correcting):
            self._enter_band(changing=session.band != before.band)
        self._record.change(by, what)

    def _enter_band(self, *, changing: bool = False) -> None:
        """Has the radio brought onto the band; paused, it is left alone, to be used for something
        else."""
        correcting = self._current.session.correcting
        entry = self._planning.selection().band_settings.entry() if correcting else None
        self._link.enter_band(entry, changing=changing)

    def _dial_moved(self, moved: DialMoved) -> None:
        """Follows a receive dial that moved alone, or restores it, as configured; whatever else
        has moved is restored. When that is given up: see `TurnedDial` and `OtherProgram`."""
        if not self._current.session.correcting or self._turned.other.reason:
            return
        now_s = self._clock.monotonic_s()
        where = (
            f"{moved.which} dial moved from {grouped(moved.from_hz)} to {grouped(moved.to_hz)} Hz"
        )
        if moved.exchanged:
            self._record.fault("A and B were exchanged on the radio: dials restored")
            if not self._turned.may_restore(now_s):
                self._left_alone(where)
        elif moved.together:
            if moved.which == "rx":
                self._both_moved(moved, where, now_s)
        elif moved.which == "tx":
            log.info("%s: dial restored", where)
            self._turned.other.transmit_dial_moved(now_s)
        elif self._current.settings.radio.on_manual_tuning == "follow":
            self._try_to_follow(moved, where, now_s)
        elif self._turned.may_restore(now_s):
            log.info("%s: dial restored", where)
        else:
            self._left_alone(where)
        if self._turned.other.reason:
            self._other_program(now_s)

    def _both_moved(self, rx: DialMoved, where: str, now_s: float) -> None:
        """Both dials have moved: restored, unless by a key of the radio for another amateur band,
        where they are left alone until they come back."""
        away = bool(self._turned.not_followed)
        if self._current.settings.radio.on_manual_tuning == "follow":
            self._try_to_follow(rx, where, now_s)
        else:
            log.info("%s with the transmit dial: dials restored", where)
        if not away and not self._turned.not_followed:
            self._turned.other.transmit_dial_moved(now_s)

    def _dial_turning(self, turning: DialTurning) -> None:
        if not self._current.session.correcting or self._turned.other.reason:
            return
        now_s, by_hz = self._clock.monotonic_s(), turning.to_hz - turning.from_hz
        self._turned.other.receive_dial_turning(now_s, by_hz, self._small_hz(turning.to_hz))
        if self._turned.other.reason:
            self._other_program(now_s)

    def _left_alone(self, where: str) -> None:
        self._record.fault(
            f"{where}; restored {MOST_RESTORES} times, now left alone for {IN_USE_S:.0f} s"
        )

    def _other_program(self, now_s: float) -> None:
        """Another program has just been recognised: the sked frequency is again what it was before
        that has moved the dials."""
        session, other = self._current.session, self._turned.other
        self._record.fault(other.reason)
        sked_hz = other.sked_before_hz(now_s, session.band)
        if sked_hz is not None:
            settings = self._current.settings
            self._move_sked(session.with_band_choices(settings, sked_hz=sked_hz), sked_hz)
            log.info("dial turned by another program: sked is %s Hz again", grouped(sked_hz))

    def _try_to_follow(self, moved: DialMoved, where: str, now_s: float) -> None:
        """Follows the dial; where that cannot be, as on another amateur band, it is left alone."""
        if not moved.together:
            by_hz = moved.to_hz - moved.from_hz
            self._turned.other.receive_dial_moved(now_s, by_hz, self._small_hz(moved.to_hz))
        if self._turned.other.reason:
            return
        try:
            self._follow(moved, where, now_s)
        except MoontrimError as error:
            reason = f"{where}, not followed: {error}"
            self._turned.cannot_follow(reason)
            self._record.fault(reason)
        else:
            self._turned.back()

    def _small_hz(self, rx_dial_hz: int) -> float:
        """Returns the largest step of a receive dial that another correction would take, if it set
        the dial once a second."""
        band = self._planning.selection().band
        step_hz = max(band.dial_resolution_hz, self._link.view.dial_resolution_hz)
        return 2 * step_hz + MOST_RATE_PER_S * float(band.on_air_hz(rx_dial_hz))

    def _follow(self, moved: DialMoved, where: str, now_s: float) -> None:
        """Moves the sked frequency to where the dial was turned. Raises MoontrimError."""
        band = self._planning.selection().band
        received_hz = band.on_air_hz(moved.to_hz)
        now_utc_s = self._clock.utc_s()
        sked_hz = whole_hertz(self._planning.sked_hz_for_received(received_hz, now_utc_s))
        session, settings = self._current.session, self._current.settings
        followed = session.with_band_choices(settings, sked_hz=sked_hz)
        why = ""
        if moved.together:
            why = "with the transmit dial"
        elif not moved.placed:
            why = "before it was set"
        elif self._turned.other.transmit_dial_moved_lately(now_s):
            why = "soon after the transmit dial"
        if why:
            log.info("%s %s: dial restored", where, why)
            return
        before_hz = session.band_choices(settings).sked_hz
        self._turned.other.followed(now_s, band.name, before_hz)
        self._move_sked(followed, sked_hz)
        log.info("dial turned: sked is now %s Hz", grouped(sked_hz))

    def _move_sked(self, session: Session, sked_hz: float) -> None:
        self._planning.sent.forget()  # an echo on its way would take the dial from the operator
        self._change(self._off_sked(session), "dial", f"sked {grouped(sked_hz)} Hz")
        self._note("dial", f"sked {grouped(sked_hz)} Hz", "done")
