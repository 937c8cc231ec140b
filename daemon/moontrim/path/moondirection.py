"""Azimuth, elevation and distance of the Moon's centre from a site."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from moontrim.path.ephemeris import Ephemeris
from moontrim.path.refraction import apparent_elevation_deg
from moontrim.path.site import Site
from moontrim.path.vectors import Array, dot, norm

# Instants solved at once: bounds the memory of a long series.
CHUNK = 4096


@dataclass(frozen=True)
class Look:
    """Direction and distance of the Moon's centre, of the shape of the instants: azimuth from north
    through east, elevation above the horizontal plane of the ellipsoid.

    elevation_deg: apparent, with refraction: where to point an antenna.
    geometric_elevation_deg: of the straight line to the Moon."""

    azimuth_deg: Array
    elevation_deg: Array
    geometric_elevation_deg: Array
    distance_km: Array


def moon_from(ephemeris: Ephemeris, site: Site, utc_s: ArrayLike) -> Look:
    """Returns direction and distance of the Moon's centre from a site at POSIX seconds (any shape).

    The Moon is where it is at that instant: light time (1.28 s at 1 km/s) and diurnal aberration,
    under 0.0003 deg, are left out. Raises CoverageError outside the tables."""
    utc = np.asarray(utc_s, dtype=np.float64)
    flat = utc.reshape(-1)
    parts = [_look(ephemeris, site, flat[i : i + CHUNK]) for i in range(0, flat.size, CHUNK)]
    if not parts:
        empty = np.zeros(utc.shape)
        return Look(empty, empty, empty, empty)
    azimuth, geometric, distance = (
        np.concatenate(values).reshape(utc.shape) for values in zip(*parts, strict=True)
    )
    return Look(azimuth, apparent_elevation_deg(geometric, site.height_m), geometric, distance)


def _look(ephemeris: Ephemeris, site: Site, utc_s: Array) -> tuple[Array, Array, Array]:
    tai_s, rest_s = ephemeris.split(utc_s)
    when = rest_s[np.newaxis]
    sight = ephemeris.moon_track(tai_s)(when) - ephemeris.earth_fixed_track(site.itrs_km(), tai_s)(
        when
    )
    east, north, up = (
        dot(sight, ephemeris.earth_fixed_track(axis, tai_s)(when))[0]
        for axis in (site.east(), site.north(), site.up())
    )
    azimuth = np.degrees(np.arctan2(east, north)) % 360.0
    return azimuth, np.degrees(np.arctan2(up, np.hypot(east, north))), norm(sight)[0]
