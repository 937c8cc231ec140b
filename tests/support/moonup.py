"""Places under the Moon, for tests in real time that expect the radio on frequency: it is that only
while the Moon is up at both ends."""

from __future__ import annotations

import time
from functools import cache

import numpy as np

from moontrim.path import Ephemeris, Site, moon_from


@cache
def longitude_under_the_moon() -> float:
    """Returns the longitude on the equator where the Moon is highest now, to 5 degrees. It moves
    west by 14.5 degrees an hour, less than a test lasts."""
    longitudes_deg = np.arange(-177.5, 180.0, 5.0)  # without 0, 0, which stands for no place
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


def under_the_moon() -> Site:
    """Returns the place on the equator with the Moon on its meridian now: it may transmit, and the
    Doppler rate is the highest there is."""
    return Site(0.0, longitude_under_the_moon())


def home_under_the_moon() -> str:
    """Returns the lines of a [home] table."""
    return f"latitude_deg = 0.0\nlongitude_deg = {longitude_under_the_moon()}\n"
