"""The spatial polarisation offset: the angle between the two stations' horizontals at the Moon, for
linearly polarised antennas fixed to the horizon. Geometry only: Faraday rotation in the ionosphere
is not modelled; below some 1.3 GHz it turns the plane by an unpredictable amount."""

from __future__ import annotations

import math

import numpy as np

from moontrim.forecast.course import MoonFromEnd
from moontrim.path import Site
from moontrim.path.vectors import Array

# Isolation of crossed linear antennas: common practice.
DEEPEST_DB = 20.0


def horizon_angle_deg(view: MoonFromEnd, site: Site) -> Array:
    """Returns the angle (N,) at the Moon from the direction of the celestial pole to that of the
    zenith, degrees, positive to the east (the parallactic angle; Meeus, Astronomical Algorithms,
    ch. 14), from the pole's place in the station's sky, which needs no time."""
    azimuth, elevation = np.radians(view.azimuth_deg), np.radians(view.geometric_elevation_deg)
    latitude = math.radians(site.latitude_deg)
    # Components of the pole along the zenith's direction and along the horizontal to the right,
    # both as projected at the Moon.
    up = math.sin(latitude) * np.cos(elevation) - math.cos(latitude) * np.sin(elevation) * np.cos(
        azimuth
    )
    right = -math.cos(latitude) * np.sin(azimuth)
    return np.degrees(np.arctan2(right, up))


def spatial_offset_deg(
    home: MoonFromEnd, home_site: Site, far: MoonFromEnd, far_site: Site
) -> Array:
    """Returns the angle (N,) from the far station's horizontal to home's, degrees, -90 to 90. The
    two lines of sight are up to 2 degrees apart, which makes it uncertain by about a degree."""
    turn = horizon_angle_deg(far, far_site) - horizon_angle_deg(home, home_site)
    return np.asarray((turn + 90.0) % 180.0 - 90.0)


def mismatch_db(offset_deg: Array) -> Array:
    """Returns the loss (N,) between linear antennas at an angle in degrees, dB, at most
    DEEPEST_DB."""
    share = np.maximum(np.cos(np.radians(offset_deg)) ** 2, 10.0 ** (-DEEPEST_DB / 10.0))
    return np.asarray(-10.0 * np.log10(share))


def offset_text(offset_deg: Array) -> str:
    """Returns a sentence on the offset over a window and the loss that it causes."""
    loss = mismatch_db(offset_deg)
    return (
        f"spatial polarisation offset {offset_deg[0]:+.0f}° at start, {offset_deg[-1]:+.0f}° at "
        f"end, max {np.abs(offset_deg).max():.0f}°: {loss.min():.1f} to {loss.max():.1f} dB loss "
        "between linear antennas unless one is rotated (not included in S/N)"
    )
