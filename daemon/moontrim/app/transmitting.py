"""The transmit side of one daemon: the keying sequence wired to rig link, state and ports.

Owns what the keying package must not know: where its conditions come from, and that the link is
left alone while relays move."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable

import numpy as np

from moontrim.clock.system import Clock
from moontrim.config.keyingports import RadioOutput
from moontrim.config.settings import Settings
from moontrim.forecast.question import Horizon
from moontrim.keying.contacts import ExternalTransmit, make_contacts
from moontrim.keying.interlocks import Conditions
from moontrim.keying.keyer import Keyer
from moontrim.keying.modemlines import OutputError, Ports
from moontrim.keying.outputs import Publish, make_outputs
from moontrim.keying.ownership import KeyingRefused
from moontrim.keying.sequence import Phase
from moontrim.keying.view import KeyingView
from moontrim.rig.link import RigLink
from moontrim.rig.view import ANSWERING
from moontrim.state.hub import StateHub
from moontrim.state.snapshot import Tracking
from moontrim_drivers.contract import RigState
from moontrim_drivers.serial.exchange import locate

log = logging.getLogger(__name__)

MOVING_S = 2.0
JUST_ENDED_S = 1.0
CREPT_HZ = 50  # a dial that is left alone under RF may creep by so much
ON_FREQUENCY = (Tracking.ON_FREQUENCY, Tracking.HELD_KEYED)


class Transmitting:
    """Asked by whoever wants to transmit; `run` beside the link, ended before it.

    changed: told whenever there is something new to see. clock_doubt, home_doubt: why the clock, or
    where home is, is not trusted; empty if it is."""

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        link: RigLink,
        hub: StateHub,
        changed: Callable[[], object],
        clock_doubt: Callable[[], str],
        home_doubt: Callable[[], str],
        note: Callable[[str, str, str], object],
    ) -> None:
        self.publish: Publish = _no_broker  # the remote side puts its own here
        self._settings = settings
        self._clock = clock
        self._link = link
        self._hub = hub
        self._changed = changed
        self._clock_doubt = clock_doubt
        self._home_doubt = home_doubt
        self._note = note  # by whom, what, and what became of it
        keying, station = settings.keying, settings.station
        self._horizon = Horizon(station.min_elevation_deg, station.horizon)
        self._bands = {band.name: (band.band(), band.entry()) for band in settings.bands}
        self._ports = ports = Ports(locate)
        outputs = make_outputs(
            keying, clock, key_radio=link.key, publish=self._publish, ports=ports
        )
        self.keyer = Keyer(
            keying,
            outputs,
            clock,
            self._conditions,
            self._sequence_runs,
            self._show,
            link.still,
        )
        self._running = False  # from the first output on to the last one off
        self._by_line = bool(keying.outputs) and not isinstance(keying.outputs[-1], RadioOutput)
        self._outside: bool | None = None
        self._left_at_hz: int | None = None  # the dial that transmits, when the sequence began
        self._begun_on = ""  # the band
        self._moving_one_dial = 0  # requests that wait for it
        if keying.enabled and not self._by_line:
            link.unkey_first()
        contacts = make_contacts(keying, ports)
        self._external = ExternalTransmit(contacts, clock, self._seen_outside)

    async def request(self, who: str) -> None:
        """Key for `who`; returns once keyed. KeyingRefused says why not. Without split, the one
        dial first goes where it is to transmit."""
        self._moving_one_dial += 1
        try:
            self._refuse_beside_others()
            await self._move_one_dial()
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
        """No relay moves under the RF of a foot switch or another program. Right after an over of
        our own the radio may still be shown as it was."""
        rig, own = self._link.view.rig, self.keyer.view
        ended_s = abs(self._clock.utc_s() - own.since_utc_s)
        if rig and rig.transmitting and own.state is Phase.IDLE and ended_s > JUST_ENDED_S:
            raise KeyingRefused("the radio transmits already, at someone else's word")

    def about_to(self) -> bool:
        """Is the one dial of a radio without split to be where it transmits?"""
        return self._moving_one_dial > 0 or self.keyer.view.state is not Phase.IDLE

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
            raise KeyingRefused("the one dial has not reached the transmit frequency")

    def _one_dial_transmits(self) -> bool:
        now = self._hub.latest
        return (
            now is not None
            and now.tx is not None
            and now.tx.dial_hz is not None
            and (now.tracking in ON_FREQUENCY)
        )

    def release(self, who: str) -> None:
        """Unkey, if `who` is the one who keys; otherwise harmless."""
        self.keyer.release(who)

    def transmitting(self) -> bool:
        """May there be RF, by us or by anyone?"""
        rig = self._link.view.rig
        return self.keyer.view.state is not Phase.IDLE or bool(rig and rig.transmitting)

    async def run(self) -> None:
        """Until cancelled; by then everything has been switched off."""
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self.keyer.run(), name="keying")
                group.create_task(self._external.run(), name="external transmit state")
        finally:
            self._ports.close()

    async def _publish(self, topic: str, payload: str) -> None:
        await self.publish(topic, payload)

    def _show(self, view: KeyingView) -> None:
        self._hold_still()
        self._tell_link()
        self._changed()

    def _sequence_runs(self, on: bool) -> None:
        self._running = on
        self._hold_still()

    def _hold_still(self) -> None:
        """From just before relays move until they have. Keyed and settled, the dials may move if
        the band steps while transmitting; and what does not switch off must not hold them for
        ever."""
        view = self.keyer.view
        moving = view.state is not Phase.KEYED and not view.stuck
        self._link.freeze(self._running and moving)

    def _seen_outside(self, transmitting: bool | None) -> None:
        self._outside = transmitting
        self._tell_link()

    def _tell_link(self) -> None:
        """What the radio itself may not be able to tell."""
        ours = (
            self._by_line
            and self._settings.keying.enabled
            and self.keyer.view.state is not Phase.IDLE
        )
        known = self._by_line or self._outside is not None
        self._link.keyed_outside((ours or bool(self._outside)) if known else None)

    def _conditions(self) -> Conditions:
        link = self._link.view
        now = self._hub.latest
        if now is None:
            raise OutputError("nothing is known yet")
        band, entry = self._bands[now.band]
        held_still = self.keyer.view.state is not Phase.IDLE
        on_frequency = now.tracking in ON_FREQUENCY or (
            held_still and now.tracking is Tracking.OFF_FREQUENCY
        )
        tracking = f"{now.tracking}" + (f", {now.reason}" if now.reason else "")
        drive_known = link.entered and not link.inhibit
        moved = self._moved_under_rf(link.rig, left_alone=now.tracking is Tracking.HELD_KEYED)
        return Conditions(
            moon_azimuth_deg=now.moon.azimuth_deg if now.moon else None,
            moon_elevation_deg=now.moon.elevation_deg if now.moon else None,
            horizon_deg=self._horizon_deg(now.moon.azimuth_deg) if now.moon else 0.0,
            on_frequency=on_frequency and not moved,
            tracking=moved or tracking,
            within_allowed_range=(
                now.tx is not None
                and band.allows(now.tx.on_air_hz)
                and link.rig is not None
                and not entry.outside(link.rig)
            ),
            drive_within_ceiling=None if entry.drive_ceiling is None else drive_known,
            radio_answers=link.state in ANSWERING,
            transmit_permitted=now.transmit_permitted,
            changing_band=bool(link.inhibit) or self._on_another_band(now.band),
            clock_doubt=self._clock_doubt(),
            home_doubt=self._home_doubt(),
            age_s=self._clock.utc_s() - now.utc_s,
        )

    def _on_another_band(self, band: str) -> bool:
        """Has it been changed since the sequence began? That a fast radio was inhibited for it
        meanwhile may have been over before anybody looked."""
        if self.keyer.view.state in (Phase.IDLE, Phase.LOWERING):
            self._begun_on = band
        return band != self._begun_on

    def _moved_under_rf(self, rig: RigState | None, *, left_alone: bool) -> str:
        """How the dial that transmits has moved in this over though nobody sets it: by a hand, or
        by the radio itself. Empty if it has not."""
        if self.keyer.view.state is Phase.IDLE or rig is None:
            self._left_at_hz = None
            return ""
        dial_hz = rig.rx_dial_hz if rig.tx_dial_hz is None else rig.tx_dial_hz
        if self._left_at_hz is None or not left_alone:
            self._left_at_hz = dial_hz
        if abs(dial_hz - self._left_at_hz) <= CREPT_HZ:
            return ""
        return f"the dial went from {self._left_at_hz} to {dial_hz} Hz under RF"

    def _horizon_deg(self, azimuth_deg: float) -> float:
        if not self._horizon.mask:
            return self._horizon.min_elevation_deg
        return float(self._horizon.elevation_deg(np.array([azimuth_deg]))[0])


async def _no_broker(topic: str, payload: str) -> None:
    raise OutputError("there is no connection to a broker")
