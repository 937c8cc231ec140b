"""When the Moon is up at both ends: the stretch of time a rehearsal runs through. Pure."""

from __future__ import annotations

import numpy as np

from moontrim.errors import InputError
from moontrim.path import Ephemeris, Site, moon_from

MINUTE_S = 60.0
SEARCH_DAYS = 8


def next_window(
    ephemeris: Ephemeris, home: Site, partner: Site | None, from_utc_s: float
) -> tuple[float, float]:
    """Start and end, to the minute, of the next whole window that begins after an instant:
    elevation of the Moon's centre above 0 degrees at home and, if there is one, at the partner's.
    No refraction. InputError when there is none within eight days; CoverageError beyond the
    tables."""
    utc_s = from_utc_s + MINUTE_S * np.arange(SEARCH_DAYS * 1440)
    up = np.ones(utc_s.shape, dtype=bool)
    for site in (home, partner):
        if site is not None:
            up &= moon_from(ephemeris, site, utc_s).elevation_deg > 0.0
    edges = np.diff(up.astype(int))
    starts, ends = np.flatnonzero(edges == 1) + 1, np.flatnonzero(edges == -1)
    for start in starts:
        later = ends[ends >= start]
        if later.size and later[0] > start:
            return float(utc_s[start]), float(utc_s[later[0]])
    raise InputError(
        "partner",
        "self"
        if partner is None
        else partner.locator or (partner.latitude_deg, partner.longitude_deg),
        f"a place that shares the Moon with home within {SEARCH_DAYS} days",
    )
