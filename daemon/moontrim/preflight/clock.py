"""Clock and GPS receiver: what they say, and what that is worth."""

from __future__ import annotations

import math

from moontrim.app.whereabouts import BUDGET_HZ, cost_hz
from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.errors import MoontrimError
from moontrim.gps.fix import Fix
from moontrim.path import Ephemeris, Site, solve_path
from moontrim.preflight.clockwords import clock_findings as findings_of
from moontrim.preflight.finding import Finding
from moontrim.preflight.receiver import first_fix, gps_findings
from moontrim.session.session import Session
from moontrim.timekeeping.reading import ClockReading
from moontrim.timekeeping.sources import best_reading, look, readers_for


async def clock_reading(settings: Settings, clock: Clock) -> ClockReading | None:
    """The best that can be read of the clock; None if nothing can."""
    return best_reading(await look(readers_for(clock, settings.clock)))


def bound_s(reading: ClockReading | None) -> float | None:
    """UTC is off by so much at most; None if nobody vouches for it."""
    return reading.bound_s if reading is not None and reading.synchronised else None


def clock_findings(
    settings: Settings,
    session: Session,
    ephemeris: Ephemeris,
    now_utc_s: float,
    reading: ClockReading | None,
) -> list[Finding]:
    rate_hz_per_s = math.nan
    try:
        home, partner = settings.home.site(), session.partner_site(settings)
        legs = solve_path(ephemeris, home, partner, now_utc_s).legs
        fraction_rate_per_s = float(legs["from_partner"].fraction_rate_per_s)
        rate_hz_per_s = fraction_rate_per_s * session.here(settings).sked_hz
    except MoontrimError:
        pass  # the tables have a line of their own
    keys = settings.keying.enabled
    found = findings_of(reading, settings.clock, rate_hz_per_s, keys=keys)
    return [Finding(*one) for one in found]


async def ask_receiver(settings: Settings, clock: Clock) -> tuple[Fix | None, str]:
    """The first fix, or why there is none; asks nobody where no receiver is configured."""
    if settings.gps.source == "none":
        return None, ""
    return await first_fix(settings.gps, clock)


def receiver_findings(
    settings: Settings,
    session: Session,
    ephemeris: Ephemeris,
    now_utc_s: float,
    told: tuple[Fix | None, str],
) -> list[Finding]:
    if settings.gps.source == "none":
        return []

    def cost(one: Site, other: Site) -> float:
        partner, sked_hz = session.partner_site(settings), session.here(settings).sked_hz
        return cost_hz(ephemeris, partner, sked_hz, now_utc_s, one, other)

    found = gps_findings(*told, settings.home.site(), cost, BUDGET_HZ)
    return [Finding(*one) for one in found]
