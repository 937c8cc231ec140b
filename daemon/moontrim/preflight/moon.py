"""Where the Moon is, and when it is up at both ends next."""

from __future__ import annotations

from collections.abc import Iterator

from moontrim.config.settings import Settings
from moontrim.errors import MoontrimError
from moontrim.forecast.compute import coming_windows
from moontrim.formats import iso
from moontrim.path import Ephemeris, moon_from
from moontrim.preflight.finding import Finding
from moontrim.session.session import Session


def moon_findings(
    settings: Settings, session: Session, ephemeris: Ephemeris, now_utc_s: float
) -> Iterator[Finding]:
    """Yields the Moon's direction from home and the next window, with its period of low spread."""
    home, partner = settings.home.site(), session.partner_site(settings)
    try:
        moon = moon_from(ephemeris, home, now_utc_s)
        sked_hz = session.band_choices(settings).sked_hz
        question = settings.forecast_tables.question(
            home, partner, session.band, sked_hz, now_utc_s
        )
        windows = coming_windows(ephemeris, question, now_utc_s, 1)
    except MoontrimError as error:
        yield Finding("fail", "Moon", str(error))
        return
    where = f"azimuth {moon.azimuth_deg:.1f}, elevation {moon.elevation_deg:.1f} degrees at home"
    yield Finding("ok", "Moon", where)
    if not windows:
        yield Finding("note", "window", "no common window before the tables end")
        return
    window = windows[0]
    text = f"{iso(window.start_utc_s)} to {iso(window.end_utc_s)}"
    if window.start_utc_s <= now_utc_s:
        text += ", under way"
    if window.low_spread:
        lowest = window.low_spread[0]
        text += (
            f"; low spread {iso(lowest.start_utc_s)[11:16]} to {iso(lowest.end_utc_s)[11:16]}, "
            f"mean {lowest.mean_hz:.1f} Hz (limb to limb)"
        )
    yield Finding("ok", "window", text)
