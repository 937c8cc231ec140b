"""Places under the Moon, for tests in real time that expect the radio on frequency: it is that only
while the Moon is up at both ends."""

from __future__ import annotations

import time
from functools import cache

import numpy as np

from moontrim.path import Ephemeris, Site, moon_from


@cache
def longitude_under_the_moon() -> float:
    """Returns the longitude on the equator where the Moon is highest now, to 10 degrees. It moves
    west by 14.5 degrees an hour, less than a test lasts."""
    longitudes_deg = np.arange(-180.0, 180.0, 10.0)
    ephemeris, now_s = Ephemeris.load(), time.time()
    heights_deg = [
        float(moon_from(ephemeris, Site(0.0, longitude, 0.0), [now_s]).elevation_deg[0])
        for longitude in longitudes_deg
    ]
    return float(longitudes_deg[int(np.argmax(heights_deg))])


def places_under_the_moon() -> dict[str, dict[str, float]]:
    """Returns home and partner for a config, 15 degrees apart."""
    longitude_deg = longitude_under_the_moon()
    return {
        "home": {"latitude_deg": 0.0, "longitude_deg": longitude_deg, "height_m": 100.0},
        "partner": {"latitude_deg": 15.0, "longitude_deg": longitude_deg, "height_m": 60.0},
    }


def home_under_the_moon() -> str:
    """Returns the lines of a [home] table."""
    return f"latitude_deg = 0.0\nlongitude_deg = {longitude_under_the_moon()}\n"
