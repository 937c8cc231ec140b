"""The Moon's rotation, and the limb-to-limb Doppler spread that it causes.

The rotation is the IAU/WGCCRE series for the Moon (Archinal et al. 2018, Cel. Mech. Dyn. Astr. 130,
22, table 2), within 0.005 deg of the DE421 mean-Earth frame, which is ample for the spread."""

from __future__ import annotations

import numpy as np

from moontrim.path.constants import MOON_RADIUS_KM, SPEED_OF_LIGHT_KM_S
from moontrim.path.vectors import Array, cross, dot, norm

DAY_S = 86400.0
CENTURY_DAYS = 36525.0

# Arguments E1..E13: degrees and degrees per day.
_ARGUMENTS = np.array(
    [
        [125.045, -0.0529921],
        [250.089, -0.1059842],
        [260.008, 13.0120009],
        [176.625, 13.3407154],
        [357.529, 0.9856003],
        [311.589, 26.4057084],
        [134.963, 13.0649930],
        [276.617, 0.3287146],
        [34.226, 1.7484877],
        [15.134, -0.1589763],
        [119.743, 0.0036096],
        [239.961, 0.1643573],
        [25.053, 12.9590088],
    ]
)
# Degrees, for E1..E13: sines of the right ascension, cosines of the declination, sines of W.
_ASCENSION = np.array(
    [-3.8787, -0.1204, 0.0700, -0.0172, 0, 0.0072, 0, 0, 0, -0.0052, 0, 0, 0.0043]
)
_DECLINATION = np.array(
    [1.5419, 0.0239, -0.0278, 0.0068, 0, -0.0029, 0.0009, 0, 0, 0.0008, 0, 0, -0.0009]
)
_MERIDIAN = np.array(
    [3.5610, 0.1208, -0.0642, 0.0158, 0.0252, -0.0066, -0.0047, -0.0046, 0.0028, 0.0052, 0.0040,
     0.0019, -0.0044]
)  # fmt: skip


def orientation_deg(days: Array) -> tuple[Array, Array, Array]:
    """Returns right ascension and declination of the Moon's pole and its prime meridian W (not
    reduced to one turn), degrees, of the shape of `days`: TDB days since J2000."""
    d = np.asarray(days, dtype=np.float64)
    e = np.radians(_ARGUMENTS[:, :1] + _ARGUMENTS[:, 1:] * d.reshape(1, -1))
    centuries = d.reshape(-1) / CENTURY_DAYS
    ascension = 269.9949 + 0.0031 * centuries + _ASCENSION @ np.sin(e)
    declination = 66.5392 + 0.0130 * centuries + _DECLINATION @ np.cos(e)
    flat = d.reshape(-1)
    meridian = 38.3213 + 13.17635815 * flat - 1.4e-12 * flat**2 + _MERIDIAN @ np.sin(e)
    return ascension.reshape(d.shape), declination.reshape(d.shape), meridian.reshape(d.shape)


def rotation_rad_per_s(days: Array) -> Array:
    """Returns the Moon's rotation vector in the celestial frame, rad/s, (3, N), at TDB days (N,)
    since J2000: the analytic derivative of `orientation_deg`."""
    d = np.asarray(days, dtype=np.float64).reshape(-1)
    rates = np.radians(_ARGUMENTS[:, 1:])
    e = np.radians(_ARGUMENTS[:, :1] + _ARGUMENTS[:, 1:] * d)
    ascension_deg, declination_deg, _ = orientation_deg(d)
    a, b = np.radians(ascension_deg), np.radians(declination_deg)
    da = 0.0031 / CENTURY_DAYS + _ASCENSION @ (np.cos(e) * rates)
    db = 0.0130 / CENTURY_DAYS - _DECLINATION @ (np.sin(e) * rates)
    dw = 13.17635815 - 2.8e-12 * d + _MERIDIAN @ (np.cos(e) * rates)
    # R3(W) R1(90 - dec) R3(90 + ra): each turn about its own axis.
    zero = np.zeros_like(d)
    pole = np.stack([np.cos(b) * np.cos(a), np.cos(b) * np.sin(a), np.sin(b)])
    node = np.stack([-np.sin(a), np.cos(a), zero])
    north = np.stack([zero, zero, np.ones_like(d)])
    return np.asarray(np.radians(dw * pole - db * node + da * north) / DAY_S)


def apparent_turn(
    site_km: Array, site_km_s: Array, moon_km: Array, moon_km_s: Array, turn_rad_s: Array
) -> Array:
    """Returns the gradient of the range rate over the disk as it appears from a site, (3, N),
    rad/s: the range rate of a point of the Moon x km across the line of sight differs by
    x . result km/s. The sum over both ends of a path is the gradient of the path's rate.

    turn_rad_s: the Moon's rotation vector, as from `rotation_rad_per_s`."""
    sight = moon_km - site_km
    distance = norm(sight)
    u = sight / distance
    speed = moon_km_s - site_km_s
    across = speed - u * dot(u, speed)
    return cross(u, turn_rad_s) + across / distance


def spread_fraction(*gradients: Array) -> Array:
    """Returns the limb-to-limb spread (N,) as a fraction of the frequency.

    gradients: the `apparent_turn` of each end the wave passes: both for a whole path, one for a
    single leg."""
    total = norm(np.asarray(sum(gradients[1:], start=gradients[0])))
    return np.asarray(2.0 * MOON_RADIUS_KM / SPEED_OF_LIGHT_KM_S * total)
