"""The places of home and partner, and the frequency error of the dials."""

from __future__ import annotations

from collections.abc import Iterator

from moontrim.config.partner import PartnerSettings
from moontrim.config.settings import Settings
from moontrim.errors import MoontrimError
from moontrim.formats import grouped
from moontrim.outlook.budget import budget_now
from moontrim.path import Ephemeris
from moontrim.preflight.finding import Finding
from moontrim.session.session import Session

GOOD_HZ = 1.0  # chosen: what digital modes need in hours of small spread


def place_findings(settings: Settings) -> Iterator[Finding]:
    """Returns a line for each place."""
    places = {"home": settings.home}
    if (partner := settings.partner_place()) is not None:
        places["partner"] = partner
    for name, place in places.items():
        site = place.site()
        where = f"{site.latitude_deg:.5f}, {site.longitude_deg:.5f}, {site.height_m:.0f} m"
        called = f"{place.name}: " if isinstance(place, PartnerSettings) else ""
        text = f"{place.locator} is {where}" if place.locator else where
        yield Finding("ok", name, called + text)


def budget_findings(
    settings: Settings,
    session: Session,
    ephemeris: Ephemeris,
    now_utc_s: float,
    clock_bound_s: float | None,
) -> Iterator[Finding]:
    """Returns a line for the frequency error of each dial. clock_bound_s: the clock is at most so
    far from UTC; None: not known."""
    try:
        budgets = budget_now(settings, session, ephemeris, now_utc_s, clock_bound_s)
    except MoontrimError as error:
        yield Finding("fail", "frequency error", str(error))
        return
    for name, budget in zip(("receive", "transmit"), budgets, strict=True):
        text = f"±{grouped(budget.error_95_hz, 2)} Hz (95 %). {budget.advice}"
        good = budget.error_95_hz <= GOOD_HZ and not budget.unknown
        yield Finding("ok" if good else "note", f"{name} frequency error", text)
