"""The GPS receiver: whether it has a fix, how far that is from home, and the time it reports."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from moontrim.app.whereabouts import BUDGET_HZ, cost_hz
from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.gps.fix import Fix, move_from
from moontrim.gps.receiver import GpsWatch
from moontrim.gps.timecheck import clock_ahead_s
from moontrim.path import Ephemeris, Site
from moontrim.preflight.finding import Finding
from moontrim.session.session import Session

FIRST_FIX_S = 5.0  # chosen: a receiver that has been running reports once a second


async def first_fix(settings: Settings, clock: Clock, running: str = "") -> tuple[Fix | None, str]:
    """Waits for a fix. Returns it, or None and why none came within `FIRST_FIX_S`; None and an
    empty text where no receiver is configured. running: a sentence on the daemon that runs and has
    a serial port of its own; empty if none does."""
    if settings.gps.source == "none":
        return None, ""
    if running and settings.gps.source == "nmea":
        return None, f"receiver not opened: {running}"
    came = asyncio.Event()
    watch = GpsWatch(settings.gps, clock)
    task = asyncio.create_task(watch.run(lambda fix: came.set()))
    try:
        await clock.wait(came, FIRST_FIX_S)
    finally:
        task.cancel()
        await asyncio.wait([task])
    return watch.latest, watch.problem or f"no fix within {FIRST_FIX_S:.0f} s"


def receiver_findings(
    settings: Settings,
    session: Session,
    ephemeris: Ephemeris,
    now_utc_s: float,
    fix: Fix | None,
    why_none: str,
) -> list[Finding]:
    """Returns the lines for the receiver; none where none is configured. fix, why_none: of
    `first_fix`."""
    if settings.gps.source == "none":
        return []

    def cost(one: Site, other: Site) -> float:
        partner, sked_hz = session.partner_site(settings), session.band_choices(settings).sked_hz
        return cost_hz(ephemeris, partner, sked_hz, now_utc_s, one, other)

    return fix_findings(fix, why_none, settings.home.site(), cost, BUDGET_HZ)


def fix_findings(
    fix: Fix | None,
    why_none: str,
    home: Site,
    cost_hz: Callable[[Site, Site], float],
    budget_hz: float,
) -> list[Finding]:
    """Returns the lines for a fix. cost_hz, budget_hz: see `move_from`."""
    if fix is None:
        return [Finding("note", "GPS", why_none)]
    place = fix.position
    error = f", within {place.error_m:.0f} m" if place.error_m is not None else ""
    height = f", {place.height_m:.0f} m above the ellipsoid" if place.height_m is not None else ""
    findings = [Finding("ok", "GPS", f"{place.quality} fix{error}: {place.locator}{height}")]
    move = move_from(home, place, cost_hz, budget_hz)
    findings.append(Finding("note" if move.significant else "ok", "GPS, home", move.text))
    between = clock_ahead_s(fix)
    if between is not None:
        low_s, high_s = between
        if low_s > 0.0 or high_s < 0.0:
            off_s = low_s if low_s > 0.0 else -high_s
            direction = "ahead of" if low_s > 0.0 else "behind"
            text = f"clock at least {off_s:.1f} s {direction} the receiver"
            findings.append(Finding("fail", "GPS, time", text))
        else:
            text = "agrees with the clock, as far as it can tell (1 s)"
            findings.append(Finding("ok", "GPS, time", text))
    return findings
