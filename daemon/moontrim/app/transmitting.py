"""The transmit side of one daemon: the keying sequence wired to rig link, state and ports.

Owns what the keying package must not know: that the link is left alone while relays move, and that
a single dial is moved to the transmit frequency first."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable

from moontrim.app.conditions import ON_FREQUENCY, StationConditions
from moontrim.app.guardedkey import GuardedKey
from moontrim.app.keyingedges import KeyingEdges
from moontrim.app.standing import StandingInterlocks
from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.keying.contacts import ExternalTransmit, make_contact, make_contacts
from moontrim.keying.frontends import FrontEndContacts
from moontrim.keying.interlocks import Conditions
from moontrim.keying.keyer import Keyer
from moontrim.keying.modemlines import Ports
from moontrim.keying.networkedrelays import NetworkedRelays
from moontrim.keying.outputs import make_outputs
from moontrim.keying.ownership import KeyingRefused
from moontrim.keying.sequence import Phase
from moontrim.keying.view import KeyingView
from moontrim.rig.link import RigLink
from moontrim.rig.view import ANSWERING
from moontrim.state.hub import StateHub
from moontrim.state.snapshot import Snapshot, Tracking
from moontrim_drivers.serial.exchange import locate

log = logging.getLogger(__name__)

# The dial is to be set, or will be as soon as the radio is known to receive.
TO_BE_SET = (Tracking.OFF_FREQUENCY, Tracking.HELD_KEYED)
MOVING_S = 2.0  # chosen: longer than a slow radio takes to be set, short for who waits
JUST_ENDED_S = 1.0  # chosen: two polls of the radio at the default rate


class Transmitting:
    """Keys and unkeys the radio on request. `run` beside the link; ended before it.

    relays: where the remote side attaches its connection for networked relays. edges: for the
    journal. changed: called whenever there is something new to see. note: called with who
    requested, what, and what became of it."""

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        link: RigLink,
        hub: StateHub,
        station: StationConditions,
        changed: Callable[[], object],
        note: Callable[[str, str, str], object],
    ) -> None:
        self.relays = NetworkedRelays()
        self.edges = KeyingEdges()
        self._settings = settings
        self._clock = clock
        self._link = link
        self._hub = hub
        self._changed = changed
        self._station = station
        self._note = note
        keying = settings.keying
        self._ports = ports = Ports(locate)
        self._key = GuardedKey(
            keying,
            clock,
            link,
            rounds=lambda: self.keyer.rounds,
            note=lambda text: note("guard", "unkey", text),
            over_ended=self._guard_ended_over,
        )
        self.guard = self._key.guard
        outputs = make_outputs(
            keying, clock, key_radio=self._key.key, publish=self.relays.publish, ports=ports
        )
        self._by_line = self._key.by_line
        if self._by_line:
            outputs = (*outputs[:-1], self._key.line_key(outputs[-1]))
        self.keyer = Keyer(
            keying,
            outputs,
            clock,
            self._conditions,
            self._sequence_runs,
            self._show,
            link.wait_until_quiet,
            self._put_dials_right,
            self._used_outputs,
        )
        self._running = False  # from the first output on to the last one off
        self._outside: bool | None = None
        self._moving_one_dial = 0  # requests that wait for it
        if self._key.by_command:
            link.unkey_first()
        contacts = make_contacts(keying, ports)
        self._external = ExternalTransmit(contacts, clock, self._keyed_outside)
        proofs = {
            front_end.name: make_contact(front_end.contact, ports)
            for front_end in settings.front_ends
            if front_end.contact is not None and keying.enabled
        }
        self._front_ends = FrontEndContacts(proofs, clock, changed)
        self.standing = StandingInterlocks(
            keying, clock, self.keyer, self._standing_conditions, self._keyed_otherwise
        )

    async def request(self, who: str) -> None:
        """Keys for `who`; returns once keyed. Raises KeyingRefused. Without split, the one dial is
        first moved to the transmit frequency."""
        self._moving_one_dial += 1
        try:
            self._refuse_beside_others()
            await self._move_one_dial()
            await self._put_dials_right()
            await self.keyer.request(who)
            self._note(who, "transmit", "done")
        except KeyingRefused as error:
            self.keyer.withdraw(who)
            self._note(who, "transmit", str(error))
            raise
        finally:
            self._moving_one_dial -= 1
            self._changed()

    def _refuse_beside_others(self) -> None:
        """Refuses to move relays under the RF of a foot switch or another program. Right after an
        over of ours the last read-back of the radio may be from before its end."""
        if reason := self._keyed_otherwise():
            raise KeyingRefused(reason)

    def _keyed_otherwise(self) -> str:
        rig, keying = self._link.view.rig, self.keyer.view
        ended_s = abs(self._clock.utc_s() - keying.since_utc_s)
        if rig and rig.transmitting and keying.state is Phase.RELEASED and ended_s > JUST_ENDED_S:
            return "the radio is already transmitting, keyed by something else"
        return ""

    def about_to(self) -> bool:
        """Returns whether the one dial of a radio without split is to be where it transmits."""
        return self._moving_one_dial > 0 or self.keyer.view.state is not Phase.RELEASED

    async def _move_one_dial(self) -> None:
        link = self._link.view
        if link.split or link.state not in ANSWERING or not self._settings.keying.enabled:
            return  # nothing to move, or the keyer says why not
        self._changed()
        with contextlib.suppress(TimeoutError):
            async with self._clock.timeout(MOVING_S):
                while not self._one_dial_transmits():
                    await self._hub.next()
        if not self._one_dial_transmits():
            raise KeyingRefused("the dial has not reached the transmit frequency")

    async def _put_dials_right(self) -> None:
        """Waits for a dial that is being set, or has still to be after an over. Raises
        KeyingRefused if it does not arrive."""
        now = self._hub.latest
        with contextlib.suppress(TimeoutError):
            async with self._clock.timeout(MOVING_S):
                while self._link.moving or (now is not None and now.tracking in TO_BE_SET):
                    now = await self._hub.next()
        if now is not None and now.tracking in TO_BE_SET:
            raise KeyingRefused(f"not on frequency: {now.tracking}, {now.reason}")

    def _one_dial_transmits(self) -> bool:
        now = self._hub.latest
        return (
            now is not None
            and now.tx is not None
            and now.tx.dial_hz is not None
            and now.tracking in ON_FREQUENCY
        )

    def release(self, who: str) -> None:
        """Unkeys if `who` keys; otherwise harmless."""
        self.keyer.release(who)

    def transmitting(self) -> bool:
        """Returns whether there may be RF, keyed by this program or otherwise."""
        rig = self._link.view.rig
        return self.keyer.view.state is not Phase.RELEASED or bool(rig and rig.transmitting)

    def in_over(self) -> bool:
        """Returns whether the radio transmits, keyed by anyone, or is being keyed or unkeyed for an
        over. The outputs that are switched off at the start are none."""
        rig = self._link.view.rig
        return self.keyer.view.who != "" or bool(rig and rig.transmitting)

    def _guard_ended_over(self) -> None:
        self.keyer.recheck()
        self._changed()

    async def run(self) -> None:
        """Runs until cancelled; everything is switched off before it returns."""
        guarding = None
        if self._settings.keying.enabled:
            guarding = asyncio.create_task(self.guard.run(), name="guard")
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self.keyer.run(), name="keying")
                group.create_task(self._external.run(), name="external transmit state")
                group.create_task(self._front_ends.run(), name="front ends")
        finally:
            if guarding is not None:
                guarding.cancel()
                await asyncio.gather(guarding, return_exceptions=True)
            self._ports.close()

    def _show(self, view: KeyingView) -> None:
        self.edges.note(view)
        self._hold_dials()
        self._report_to_link()
        self._changed()

    def _sequence_runs(self, on: bool) -> None:
        self._running = on
        self._hold_dials()

    def _hold_dials(self) -> None:
        """Holds the dials from just before relays move until they have settled. Keyed and settled,
        the dials may move if the band steps while transmitting; and an output that does not switch
        off must not hold them for ever."""
        view = self.keyer.view
        moving = view.state is not Phase.KEYED and not view.stuck
        self._link.hold_for_relays(self._running and moving)

    def _keyed_outside(self, transmitting: bool | None) -> None:
        self._outside = transmitting
        self._report_to_link()

    def _report_to_link(self) -> None:
        """Reports a transmit state that the radio itself may not show."""
        ours = (
            self._by_line
            and self._settings.keying.enabled
            and self.keyer.view.state is not Phase.RELEASED
        )
        known = self._by_line or self._outside is not None
        self._link.set_keyed_outside((ours or bool(self._outside)) if known else None)

    def front_end_warnings(self) -> tuple[str, ...]:
        """Returns why the present front end may not be the one connected, for the operator."""
        now = self._hub.latest
        doubt = "" if now is None else self._front_ends.doubt(now.front_end)
        return (doubt,) if doubt else ()

    def _used_outputs(self) -> frozenset[int]:
        """Returns the indices of the outputs that the present band uses."""
        now = self._hub.latest
        names = None if now is None else self._settings.band(now.band).outputs
        return self._settings.keying.used(names)

    def _conditions(self) -> Conditions:
        return self._station.read(
            self.keyer.view,
            self._front_ends.doubt,
            dials_held=self._dials_held,
            guard_doubt=self.guard.doubt(),
        )

    def _standing_conditions(self, now: Snapshot) -> Conditions:
        return self._station.at(
            now,
            self._front_ends.doubt,
            dials_held=self._dials_held,
            guard_doubt=self.guard.standing_doubt(),
        )

    @property
    def _dials_held(self) -> bool:
        return self._running or self.keyer.view.state is not Phase.RELEASED
