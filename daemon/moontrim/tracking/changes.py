"""What commands, the dial and the radio's events change: the session, the record, and what the rig
link is asked to keep to."""

from __future__ import annotations

import logging
from collections.abc import Callable

from moontrim.clock.system import Clock
from moontrim.errors import InputError, MoontrimError, NotNowError
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
from moontrim.session.commands import ReadBack, whole_hertz
from moontrim.session.current import CurrentSession
from moontrim.session.session import Session
from moontrim.state.snapshot import Outlook
from moontrim.tracking.handondial import PUT_BACK_TIMES, YIELD_S, TurnedDial
from moontrim.tracking.inbox import HomeMoved, Item, Request, StationFault
from moontrim.tracking.planning import Planning
from moontrim.tracking.record import TrackingRecord
from moontrim.tracking.refusals import Refusals

log = logging.getLogger(__name__)


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
            case Lost():
                self._record.fault(f"radio: {item.reason}")
            case NotUnkeyed():
                self._record.fault(
                    f"radio transmits without permission and will not stop: {item.reason}"
                )
            case Inhibited():
                self._record.fault(f"must not transmit: {item.reason}")
            case Connected():
                self._turned.back()
                self._enter_band()
                log.info("radio connected, dial %d Hz", item.rig.rx_dial_hz)
            case TransmitChanged():
                log.info("%s", "transmitting" if item.transmitting else "receiving")
            case StationFault():
                self._record.fault(item.text)
                return False
            case HomeMoved():
                self._current.move_home(item.home)
            case Outlook():
                self._record.replace_outlook(item)
                return False
            case Updated():
                return False
        return True

    def _obey(self, request: Request) -> None:
        command = request.command
        before, settings = self._current.session, self._current.settings
        try:
            changed = command.apply(before, settings)
            self._refusals.check(before, changed, settings)
        except (InputError, NotNowError) as error:
            log.warning("%s: refused: %s", command.source, error)
            self._note(command.source, str(command), str(error))
            request.refused(error)
            return
        if isinstance(command, ReadBack):
            self._link.look_now()
        else:
            self._change(changed, command.source, str(command))
            self._turned.command()
        log.info("%s: %s", command.source, command)
        self._note(command.source, str(command), "done")
        request.done(changed)

    def _change(self, session: Session, by: str, what: str) -> None:
        before = self._current.session
        settings = self._current.settings
        permission = (session.transmit_permitted, session.front_end_confirmed(settings))
        if permission != (before.transmit_permitted, before.front_end_confirmed(settings)):
            self._link.permit_transmit(permission[0], front_end_confirmed=permission[1])
        self._current.change(session)
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
        """Follows the receive dial, or puts it back, as configured; a transmit dial that moved
        alone is put back. When that is given up: see `TurnedDial`."""
        if not self._current.session.correcting:
            return
        where = f"{moved.which} dial moved from {moved.from_hz} to {moved.to_hz} Hz"
        if self._current.settings.radio.when_turned == "follow" and moved.which == "rx":
            try:
                self._follow(moved.to_hz)
            except MoontrimError as error:
                reason = f"{where}, not followed: {error}"
                self._turned.cannot_follow(reason)
                self._record.fault(reason)
            else:
                self._turned.back()
        elif self._turned.may_put_back(self._clock.monotonic_s()):
            log.info("%s: put back", where)
        else:
            self._record.fault(
                f"{where}; it was put back {PUT_BACK_TIMES} times, left alone for {YIELD_S:.0f} s"
            )

    def _follow(self, rx_dial_hz: int) -> None:
        """Moves the sked frequency to where the dial was turned. Raises MoontrimError."""
        received_hz = self._planning.selection().band.on_air_hz(rx_dial_hz)
        now_utc_s = self._clock.utc_s()
        sked_hz = whole_hertz(self._planning.sked_hz_for_received(received_hz, now_utc_s))
        session = self._current.session
        followed = session.with_band_choices(self._current.settings, sked_hz=sked_hz)
        self._planning.sent.forget()  # an echo on its way would take the dial from the operator
        self._change(followed, "dial", f"sked {sked_hz:.0f} Hz")
        self._note("dial", f"sked {sked_hz:.0f} Hz", "done")
        log.info("dial turned: sked is now %.0f Hz", sked_hz)
