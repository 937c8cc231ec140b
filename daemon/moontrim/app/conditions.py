"""The state of the station as keying judges it: gathered from the latest snapshot, the rig link and
the doubts about clock and home."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.forecast.question import Horizon
from moontrim.formats import grouped
from moontrim.keying.interlocks import Conditions
from moontrim.keying.modemlines import OutputError
from moontrim.keying.sequence import Phase
from moontrim.keying.view import KeyingView
from moontrim.rig.link import RigLink
from moontrim.rig.view import ANSWERING
from moontrim.state.hub import StateHub
from moontrim.state.snapshot import Snapshot, Tracking
from moontrim_drivers.contract import RigState

CREPT_HZ = 50  # chosen: a dial that is left alone under RF may creep by so much
ON_FREQUENCY = (Tracking.ON_FREQUENCY, Tracking.HELD_KEYED)


class StationConditions:
    """Reads the conditions for keying; called often, never waits.

    clock_doubt, home_doubt: return why the clock, or where home is, is not trusted; empty if it
    is."""

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        link: RigLink,
        hub: StateHub,
        clock_doubt: Callable[[], str],
        home_doubt: Callable[[], str],
    ) -> None:
        self._clock = clock
        self._link = link
        self._hub = hub
        self._clock_doubt = clock_doubt
        self._home_doubt = home_doubt
        equipment = settings.equipment
        self._horizon = Horizon(equipment.min_elevation_deg, equipment.horizon)
        self._lowest_deg = {
            band.name: settings.keying.min_tx_elevation_deg
            if band.min_tx_elevation_deg is None
            else band.min_tx_elevation_deg
            for band in settings.bands
        }
        self._bands = {band.name: (band.band(), band.entry()) for band in settings.bands}
        self._sequence_dial_hz: int | None = None  # the dial that transmits, as the sequence began
        self._sequence_band = ""  # the band then

    def read(
        self,
        keying: KeyingView,
        front_end_doubt: Callable[[str], str],
        *,
        dials_held: bool,
        guard_doubt: str,
    ) -> Conditions:
        """Returns the conditions now, for the sequence whose view is `keying`; remembers how that
        began. Other arguments as for `at`. Raises OutputError while there is no snapshot yet."""
        link = self._link.view
        now = self._hub.latest
        if now is None:
            raise OutputError("no data yet")
        left_alone = now.tracking is Tracking.HELD_KEYED
        return self.at(
            now,
            front_end_doubt,
            dials_held=dials_held,
            guard_doubt=guard_doubt,
            moved=self._moved_under_rf(keying, link.rig, left_alone=left_alone),
            other_band=self._on_another_band(keying, now.band),
        )

    def at(
        self,
        now: Snapshot,
        front_end_doubt: Callable[[str], str],
        *,
        dials_held: bool,
        guard_doubt: str,
        moved: str = "",
        other_band: bool = False,
    ) -> Conditions:
        """Returns the conditions of a snapshot, with the radio as it is now; changes nothing.

        front_end_doubt: returns what contacts say against a front end; empty: nothing. dials_held:
        they were right, and are left there for the sequence. guard_doubt: as in `Conditions`.
        moved, other_band: how the dial has moved under RF, and whether the band has changed, since
        a sequence began."""
        link = self._link.view
        band, entry = self._bands[now.band]
        on_frequency = now.tracking in ON_FREQUENCY or (
            dials_held and now.tracking is Tracking.OFF_FREQUENCY
        )
        tracking = f"{now.tracking}" + (f", {now.reason}" if now.reason else "")
        drive_known = link.entered and not link.interlock
        moved = link.exchanged or moved
        return Conditions(
            moon_azimuth_deg=now.moon.azimuth_deg if now.moon else None,
            moon_elevation_deg=now.moon.elevation_deg if now.moon else None,
            min_tx_elevation_deg=self._lowest_deg[now.band],
            horizon_deg=self._horizon_deg(now.moon.azimuth_deg) if now.moon else 0.0,
            on_frequency=on_frequency and not moved,
            tracking=moved or tracking,
            within_allowed_range=(
                now.tx is not None
                and band.allows(now.tx.on_air_hz)
                and link.rig is not None
                and not entry.out_of_range(link.rig)
            ),
            drive_within_ceiling=None if entry.drive_ceiling is None else drive_known,
            radio_answers=link.state in ANSWERING,
            tx_allowed=now.tx_allowed,
            changing_band=bool(link.interlock) or other_band,
            clock_doubt=self._clock_doubt(),
            home_doubt=self._home_doubt(),
            front_end_doubt=_unconfirmed(now) or front_end_doubt(now.front_end),
            guard_doubt=guard_doubt,
            age_s=self._clock.utc_s() - now.utc_s,
            cannot_key=link.cannot_key,
        )

    def _on_another_band(self, keying: KeyingView, band: str) -> bool:
        """Whether the band was changed since the sequence began. The interlock of a fast radio
        meanwhile may have ended before anything read it."""
        if keying.state in (Phase.RELEASED, Phase.RELEASING):
            self._sequence_band = band
        return band != self._sequence_band

    def _moved_under_rf(self, keying: KeyingView, rig: RigState | None, *, left_alone: bool) -> str:
        """How the dial that transmits has moved in this over though the daemon does not set it: it
        was turned, or the radio moved it. Empty if it has not."""
        if keying.state is Phase.RELEASED or rig is None:
            self._sequence_dial_hz = None
            return ""
        dial_hz = rig.rx_dial_hz if rig.tx_dial_hz is None else rig.tx_dial_hz
        if self._sequence_dial_hz is None or not left_alone:
            self._sequence_dial_hz = dial_hz
        if abs(dial_hz - self._sequence_dial_hz) <= CREPT_HZ:
            return ""
        before, now = grouped(self._sequence_dial_hz), grouped(dial_hz)
        return f"the dial went from {before} to {now} Hz under RF"

    def _horizon_deg(self, azimuth_deg: float) -> float:
        if not self._horizon.mask:
            return self._horizon.min_elevation_deg
        return float(self._horizon.elevation_deg(np.array([azimuth_deg]))[0])


def _unconfirmed(now: Snapshot) -> str:
    if now.front_end_confirmed:
        return ""
    return f"front end {now.front_end} not confirmed as connected; check, then allow transmit"
