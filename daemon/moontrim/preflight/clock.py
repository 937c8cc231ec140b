"""The machine's clock: what keeps it right, how far off it may be, and what that costs."""

from __future__ import annotations

import math

from moontrim.clock.system import Clock
from moontrim.config.clock import ClockSettings
from moontrim.config.settings import Settings
from moontrim.errors import MoontrimError
from moontrim.gps.fix import Fix
from moontrim.gps.timecheck import GPS, WORST_BOUND_S, reading_of
from moontrim.path import Ephemeris, solve_path
from moontrim.preflight.finding import Finding, Level
from moontrim.session.session import Session
from moontrim.timekeeping.reading import ClockReading
from moontrim.timekeeping.sources import best_reading, read_sources, readers_for

NOTICEABLE_HZ = 0.5  # half of the smallest dial step


async def clock_reading(
    settings: Settings, clock: Clock, fix: Fix | None = None
) -> ClockReading | None:
    """Returns the best reading of the sources of time; None if none can be read. fix: a fresh one
    of the GPS receiver, which is the last source, as in the daemon."""

    async def gps() -> ClockReading | None:
        return None if fix is None else reading_of(fix, 1.0)

    return best_reading(await read_sources(readers_for(clock, settings.clock, gps)))


def error_bound_s(reading: ClockReading | None) -> float | None:
    """Returns how far UTC is off at most; None if no source keeps it right."""
    return reading.bound_s if reading is not None and reading.synchronised else None


def clock_finding(
    settings: Settings,
    session: Session,
    ephemeris: Ephemeris,
    now_utc_s: float,
    reading: ClockReading | None,
) -> Finding:
    """Returns the line for the clock. reading: of `clock_reading`."""
    rate_hz_per_s = math.nan
    try:
        home, partner = settings.home.site(), session.partner_site(settings)
        legs = solve_path(ephemeris, home, partner, now_utc_s).legs
        fraction_rate_per_s = float(legs["partner_to_home"].fraction_rate_per_s)
        rate_hz_per_s = fraction_rate_per_s * session.band_choices(settings).sked_hz
    except MoontrimError:
        pass  # the tables have a line of their own
    return judge_clock(reading, settings.clock, rate_hz_per_s, keys=settings.keying.enabled)


def judge_clock(
    reading: ClockReading | None, settings: ClockSettings, rate_hz_per_s: float, *, keys: bool
) -> Finding:
    """Returns the line for a reading.

    rate_hz_per_s: the present Doppler rate on the band; not-a-number: not known. keys: keying is
    enabled, so that a clock which inhibits transmit is a failure instead of worth a note."""
    forbids: Level = "fail" if keys else "note"
    if reading is None or not reading.synchronised:
        why = f"{reading.source}: {reading.detail}" if reading else "no time source found"
        if settings.trust == "any":
            text = f'accepted without confirmation (clock.trust = "any"); {why}'
            return Finding("note", "clock", text)
        return Finding(
            forbids,
            "clock",
            f"not synchronised ({why}); transmit is inhibited. Install chrony, or set clock.trust "
            '= "any" if something else keeps the clock right',
        )
    text = f"within ±{1000.0 * reading.bound_s:.3g} ms ({reading.source}, {reading.detail})"
    cost_hz = reading.bound_s * abs(rate_hz_per_s)
    if math.isfinite(cost_hz):
        text += f", {cost_hz:.2g} Hz at the present Doppler rate"
    if reading.source == GPS and reading.bound_s <= settings.max_error_s < WORST_BOUND_S:
        text += (
            f"; with the receiver alone the bound reaches {1000 * WORST_BOUND_S:.0f} ms, more than "
            f"clock.max_error_ms {settings.max_error_ms:g}: transmit will be inhibited at times; "
            "install chrony, or raise max_error_ms"
        )
        return Finding(forbids, "clock", text)
    if not reading.bound_s <= settings.max_error_s:
        text += f"; more than clock.max_error_ms {settings.max_error_ms:g}: transmit is inhibited"
        return Finding(forbids, "clock", text)
    return Finding("note" if cost_hz > NOTICEABLE_HZ else "ok", "clock", text)
