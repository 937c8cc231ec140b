"""Where home is by the GPS receiver, if there is one: compared with the place in the config, or
used instead of it where the config says so.

Owns the receiver's task and what the rest of the daemon learns from it. A measurement is never
saved with the session."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable

from moontrim.clock.system import Clock
from moontrim.config.site import SiteSettings
from moontrim.errors import MoontrimError
from moontrim.gps.fix import ASSUMED_ERROR_M, Fix, move_from
from moontrim.gps.home import HomeKeeper
from moontrim.gps.receiver import GpsWatch
from moontrim.gps.timecheck import clock_ahead_s
from moontrim.path import Ephemeris, Site, solve_path
from moontrim.session.current import CurrentSession
from moontrim.tracking.inbox import HomeMoved

log = logging.getLogger(__name__)

COMPARED_EVERY_S = 10.0  # chosen: a comparison solves the exact path twice
BUDGET_HZ = 0.5  # half of the smallest dial step


class Whereabouts:
    """Follows one GPS receiver.

    compare_clock: called with the two values between which our clock minus true time lies, in
    seconds, and with the name of the source. moved: called with a new home."""

    def __init__(
        self,
        clock: Clock,
        ephemeris: Ephemeris,
        current: CurrentSession,
        gps: GpsWatch,
        compare_clock: Callable[[float, float, str], object],
        moved: Callable[[HomeMoved], object],
    ) -> None:
        self._remark = ""  # home is not where the receiver is
        self._current = current
        self._settings = current.settings
        self._gps = gps
        self._clock = clock
        self._ephemeris = ephemeris
        self._compare_clock = compare_clock
        self._moved = moved
        self._keeper = HomeKeeper(self._settings.gps, self._set_home)
        self._compared_at_s = -math.inf

    async def run(self, transmitting: Callable[[], bool]) -> None:
        """Runs until cancelled; returns at once where no source is configured. transmitting:
        returns whether there may be RF, under which home never moves."""
        await self._gps.run(lambda fix: self.located(fix, transmitting=transmitting()))

    def doubt(self) -> str:
        """Returns why home is not to be trusted just now; empty if it may be."""
        return self._keeper.doubt()

    def warnings(self) -> tuple[str, ...]:
        """Returns what the operator should know of the receiver."""
        return tuple(filter(None, (self._gps.problem, self._gps.no_fix, self._remark)))

    def located(self, fix: Fix, *, transmitting: bool) -> None:
        """Takes a fix of the receiver. transmitting: may there be RF now?"""
        if (between := clock_ahead_s(fix)) is not None:
            self._compare_clock(*between, "GPS receiver")
        self._keeper.take(fix, transmitting=transmitting)
        if not self._settings.gps.use_for_home:
            self._compare(fix)

    def _compare(self, fix: Fix) -> None:
        now_s = self._clock.monotonic_s()
        if now_s - self._compared_at_s < COMPARED_EVERY_S:
            return
        self._compared_at_s = now_s
        move = move_from(self._settings.home.site(), fix.position, self._cost_hz, BUDGET_HZ)
        if move.significant and not self._remark:
            log.warning("%s", move.text)
        self._remark = move.text if move.significant else ""

    def _cost_hz(self, one: Site, other: Site) -> float:
        session = self._current.session
        return cost_hz(
            self._ephemeris,
            session.partner_site(self._settings),
            session.band_choices(self._settings).sked_hz,
            self._clock.utc_s(),
            one,
            other,
        )

    def _set_home(self, site: Site) -> None:
        log.info("home by the GPS receiver: %.5f, %.5f", site.latitude_deg, site.longitude_deg)
        self._moved(HomeMoved(home_at(site)))


def home_at(site: Site) -> SiteSettings:
    """Returns a place as the config would describe it, with the accuracy of a receiver."""
    return SiteSettings(
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        height_m=site.height_m,
        position_uncertainty_m=ASSUMED_ERROR_M / 2,  # that one is 95 %
        height_uncertainty_m=ASSUMED_ERROR_M,  # satellites are all above: twice as bad
    )


def cost_hz(
    ephemeris: Ephemeris,
    partner: Site | None,
    sked_hz: float,
    utc_s: float,
    one: Site,
    other: Site,
) -> float:
    """Returns by how many Hz the received frequency differs between two places of home;
    not-a-number outside the tables."""
    try:
        shares = [
            float(
                solve_path(ephemeris, home, partner, utc_s, False).legs["partner_to_home"].fraction
            )
            for home in (one, other)
        ]
    except MoontrimError:
        return math.nan
    return sked_hz * (shares[1] - shares[0])
