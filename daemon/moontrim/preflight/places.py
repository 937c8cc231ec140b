"""Where home and partner are, and whether that is known well enough."""

from __future__ import annotations

from collections.abc import Iterator

from moontrim.preflight.finding import Finding
from moontrim.settings import Settings

COARSE_LOCATOR_HZ = 1e9  # from here up a 6-character locator costs hertz


def place_findings(settings: Settings) -> Iterator[Finding]:
    highest_hz = max(band.allowed_high_hz for band in settings.bands)
    places = {"home": settings.home}
    if settings.partner != "self":
        places["partner"] = settings.partner
    for name, place in places.items():
        if place.locator is not None and len(place.locator) < 8 and highest_hz > COARSE_LOCATOR_HZ:
            yield Finding(
                "note",
                name,
                f"locator {place.locator} is coarse for {highest_hz / 1e6:.0f} MHz; "
                "give 8 or more characters",
            )
        else:
            site = place.site()
            yield Finding(
                "ok",
                name,
                f"{site.latitude_deg:.5f}, {site.longitude_deg:.5f}, {site.height_m:.0f} m",
            )
