"""The stretch of time that a rehearsal runs through. Pure."""

from __future__ import annotations

from moontrim.config.settings import Settings
from moontrim.errors import InputError
from moontrim.forecast.compute import coming_windows
from moontrim.path import Ephemeris


def next_window(ephemeris: Ephemeris, settings: Settings, from_utc_s: float) -> tuple[float, float]:
    """Start and end, whole seconds, of the next whole window of home and the config's partner that
    begins after an instant. InputError when there is none; CoverageError beyond the tables."""
    band = settings.bands[0]
    partner = None if settings.partner == "self" else settings.partner.site()
    question = settings.ask_for(
        settings.home.site(), partner, band.name, float(band.sked_hz), from_utc_s
    )
    for window in coming_windows(ephemeris, question, from_utc_s):
        whole = window.opened_by is not None and window.closed_by is not None
        if whole and window.start_utc_s > from_utc_s:
            return float(round(window.start_utc_s)), float(round(window.end_utc_s))
    place = partner and (partner.locator or (partner.latitude_deg, partner.longitude_deg))
    raise InputError(
        "partner", place or "self", "a place that shares the Moon with home before the tables end"
    )
