"""Where home is by the GPS receiver, if there is one: followed, compared with the config, and put
in its place where the config says so.

Owns the receiver's task and what the rest of the daemon is told of it. A measurement is never saved
with the session."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable

from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.config.site import SiteSettings
from moontrim.errors import MoontrimError
from moontrim.gps.fix import ASSUMED_ERROR_M, Fix, move_from
from moontrim.gps.home import HomeKeeper
from moontrim.gps.receiver import GpsWatch
from moontrim.gps.timecheck import clock_ahead_s
from moontrim.path import Ephemeris, Site, solve_path
from moontrim.session.session import Session
from moontrim.tracking.inbox import HomeMoved

log = logging.getLogger(__name__)

COMPARED_EVERY_S = 10.0
BUDGET_HZ = 0.5  # half of the smallest dial step


class Whereabouts:
    """session: the present one. witness: told between which values our clock minus true time lies,
    in seconds, and by whom. moved: told of a new home. transmitting: may there be RF?"""

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        ephemeris: Ephemeris,
        session: Callable[[], Session],
        *,
        witness: Callable[[float, float, str], object],
        moved: Callable[[HomeMoved], object],
        transmitting: Callable[[], bool],
    ) -> None:
        self.gps = GpsWatch(settings.gps, clock, self._located)
        self.remark = ""  # home is not where the receiver is
        self._settings = settings
        self._clock = clock
        self._ephemeris = ephemeris
        self._session = session
        self._witness = witness
        self._moved = moved
        self._keeper = HomeKeeper(settings.gps, self._set_home, transmitting)
        self._compared_at_s = -math.inf

    async def run(self) -> None:
        """Until cancelled; returns at once where no source is configured."""
        await self.gps.run()

    def doubt(self) -> str:
        """Why home is not to be trusted just now; empty if it may be."""
        return self._keeper.doubt()

    def warnings(self) -> tuple[str, ...]:
        """For whoever looks at the state."""
        return tuple(filter(None, (self.gps.problem, self.remark)))

    def _located(self, fix: Fix) -> None:
        if (between := clock_ahead_s(fix)) is not None:
            self._witness(*between, "GPS receiver")
        self._keeper.take(fix)
        if not self._settings.gps.use_for_home:
            self._compare(fix)

    def _compare(self, fix: Fix) -> None:
        now_s = self._clock.monotonic_s()
        if now_s - self._compared_at_s < COMPARED_EVERY_S:
            return
        self._compared_at_s = now_s
        move = move_from(self._settings.home.site(), fix.position, self._cost_hz, BUDGET_HZ)
        if move.significant and not self.remark:
            log.warning("%s", move.text)
        self.remark = move.text if move.significant else ""

    def _cost_hz(self, one: Site, other: Site) -> float:
        session = self._session()
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
    """As the config would say it, with what a receiver is good for."""
    return SiteSettings(
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        height_m=site.height_m,
        accuracy_m=ASSUMED_ERROR_M / 2,  # that one is 95 %
        height_accuracy_m=ASSUMED_ERROR_M,  # satellites are all above: twice as bad
    )


def cost_hz(
    ephemeris: Ephemeris,
    partner: Site | None,
    sked_hz: float,
    utc_s: float,
    one: Site,
    other: Site,
) -> float:
    """By how much the received frequency differs between two places of home; not-a-number outside
    the tables."""
    try:
        shares = [
            float(solve_path(ephemeris, home, partner, utc_s, False).legs["from_partner"].fraction)
            for home in (one, other)
        ]
    except MoontrimError:
        return math.nan
    return sked_hz * (shares[1] - shares[0])
