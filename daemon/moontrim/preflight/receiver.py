"""What the pre-flight list says of the receiver. Pure, but for asking it once."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from moontrim.clock.system import Clock
from moontrim.config.gps import GpsSettings
from moontrim.gps.fix import Fix, move_from
from moontrim.gps.receiver import GpsWatch
from moontrim.gps.timecheck import clock_ahead_s
from moontrim.path.site import Site
from moontrim.preflight.clockwords import Level

FIRST_FIX_S = 5.0


async def first_fix(settings: GpsSettings, clock: Clock) -> tuple[Fix | None, str]:
    """The first fix that comes, or None and why none did, within FIRST_FIX_S."""
    came = asyncio.Event()
    watch = GpsWatch(settings, clock, lambda fix: came.set())
    task = asyncio.create_task(watch.run())
    try:
        await clock.wait(came, FIRST_FIX_S)
    finally:
        task.cancel()
        await asyncio.wait([task])
    return watch.latest, watch.problem or f"no fix within {FIRST_FIX_S:.0f} s"


def gps_findings(
    fix: Fix | None,
    why_none: str,
    home: Site,
    cost_hz: Callable[[Site, Site], float],
    budget_hz: float,
) -> list[tuple[Level, str, str]]:
    """Level, what, text. fix, why_none: of `first_fix`. cost_hz: see `move_from`."""
    if fix is None:
        return [("note", "GPS", why_none)]
    place = fix.position
    error = f", within {place.error_m:.0f} m" if place.error_m is not None else ""
    height = f", {place.height_m:.0f} m above the ellipsoid" if place.height_m is not None else ""
    found: list[tuple[Level, str, str]] = [
        ("ok", "GPS", f"{place.quality} fix{error}: {place.locator}{height}")
    ]
    move = move_from(home, place, cost_hz, budget_hz)
    found.append(("note" if move.tells else "ok", "GPS, home", move.text))
    between = clock_ahead_s(fix)
    if between is not None:
        low_s, high_s = between
        if low_s > 0.0 or high_s < 0.0:
            wrong_s = low_s if low_s > 0.0 else -high_s
            text = f"by the receiver the clock is at least {wrong_s:.1f} s "
            found.append(("wrong", "GPS, time", text + ("ahead" if low_s > 0.0 else "behind")))
        else:
            found.append(("ok", "GPS, time", "agrees with the clock, as far as it can tell (1 s)"))
    return found
