"""When the Moon is up at both ends, to the minute. Pure.

Up: elevation of the Moon's centre above 0 degrees, geometric, no refraction."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from moontrim.errors import InputError
from moontrim.path import Ephemeris, Site, moon_from

MINUTE_S = 60.0
SEARCH_DAYS = 8


@dataclass(frozen=True)
class Elevations:
    """The Moon's elevation at one or two ends, every minute from an instant on."""

    utc_s: NDArray[np.float64]
    home_deg: NDArray[np.float64]
    partner_deg: NDArray[np.float64] | None

    def up(self) -> NDArray[np.bool_]:
        up = self.home_deg > 0.0
        return up if self.partner_deg is None else up & (self.partner_deg > 0.0)


def elevations(
    ephemeris: Ephemeris, home: Site, partner: Site | None, from_utc_s: float, days: float
) -> Elevations:
    """As far as the tables go, at most so many days. CoverageError if they do not go at all."""
    end_utc_s = min(from_utc_s + 86400.0 * days, ephemeris.last_utc_s)
    ephemeris.require(from_utc_s)
    utc_s = np.arange(from_utc_s, end_utc_s, MINUTE_S)
    return Elevations(
        utc_s,
        moon_from(ephemeris, home, utc_s).elevation_deg,
        None if partner is None else moon_from(ephemeris, partner, utc_s).elevation_deg,
    )


def stretches(up: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Index of the first and last sample of each stretch that is up for longer than one sample; the
    first or last may be cut off by the ends."""
    edges = np.diff(np.concatenate([[False], up, [False]]).astype(int))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    return [(int(a), int(b)) for a, b in zip(starts, ends, strict=True) if b > a]


def next_window(
    ephemeris: Ephemeris, home: Site, partner: Site | None, from_utc_s: float
) -> tuple[float, float]:
    """Start and end of the next whole window that begins after an instant. InputError when there is
    none within eight days; CoverageError beyond the tables."""
    seen = elevations(ephemeris, home, partner, from_utc_s, SEARCH_DAYS)
    for first, last in stretches(seen.up()):
        if first > 0 and last < seen.utc_s.size - 1:
            return float(seen.utc_s[first]), float(seen.utc_s[last])
    raise InputError(
        "partner",
        "self"
        if partner is None
        else partner.locator or (partner.latitude_deg, partner.longitude_deg),
        f"a place that shares the Moon with home within {SEARCH_DAYS} days",
    )
