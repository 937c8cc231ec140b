"""Noise from behind the Moon and from the Moon itself: the galaxy along the ecliptic, the disk.

The table holds the 408 MHz survey of Haslam et al. 1982 (A&AS 47, 1; MPIfR Bonn) as a round beam
of 10 degrees receives it, read off once along ecliptic latitudes -5, 0 and +5 degrees; zero level
3 K, scale 10 %."""

from __future__ import annotations

import math

import numpy as np

from moontrim.forecast.sky.sun import OBLIQUITY_DEG
from moontrim.path.constants import MOON_RADIUS_KM, SPEED_OF_LIGHT_M_S
from moontrim.path.vectors import Array, norm

SURVEY_HZ = 408e6
# The cosmic microwave background, which does not scale with frequency as the galaxy does.
BACKGROUND_K = 2.7
# Spectral exponent of the galaxy's brightness: common engineering value, from memory (ITU-R P.372
# has -2.75; the difference is 13 % at 144 MHz and a fifth at 1296 MHz).
EXPONENT = -2.55
# K at 408 MHz, ecliptic longitude 0, 10, ... 350 degrees (J2000).
_LATITUDES_DEG = (-5.0, 0.0, 5.0)
_NARROW_K = np.array(
    [
        [19, 21, 23, 25, 26, 25, 27, 31, 37, 43, 34, 26, 20, 16, 15, 15, 16, 18, 20, 24, 24, 24,
         30, 35, 42, 61, 156, 238, 81, 44, 30, 27, 25, 22, 22, 21],
        [19, 21, 22, 25, 28, 27, 27, 31, 39, 42, 33, 26, 20, 16, 15, 16, 17, 18, 20, 26, 24, 24,
         29, 35, 39, 54, 112, 242, 102, 46, 30, 27, 26, 23, 20, 21],
        [20, 22, 22, 25, 29, 28, 27, 31, 39, 37, 30, 25, 19, 15, 15, 17, 18, 18, 20, 26, 24, 24,
         29, 34, 37, 47, 81, 204, 130, 52, 32, 27, 26, 22, 20, 21],
    ],
    dtype=np.float64,
)  # fmt: skip
# The beams that the tables are for.
NARROW_DEG, WIDE_DEG = 10.0, 15.0
# A beam of 15 degrees differs by more than 3 K only near the galactic centre, at latitude 0.
_WIDE_FROM = 24
_WIDE_K = np.array([41.0, 59.0, 125.0, 193.0, 116.0, 52.0, 32.0, 27.0])

# Pole of the galaxy and longitude of the ascending node (The Hipparcos Catalogue, ESA SP-1200,
# vol. 1, section 1.5.3), degrees.
_POLE_RA_DEG, _POLE_DEC_DEG, _NODE_DEG = 192.85948, 27.12825, 32.93192


def ecliptic_deg(vector: Array) -> tuple[Array, Array]:
    """Returns ecliptic longitude 0 to 360 and latitude (J2000), degrees, (N,), of vectors (3,
    N)."""
    c, s = math.cos(math.radians(OBLIQUITY_DEG)), math.sin(math.radians(OBLIQUITY_DEG))
    y, z = c * vector[1] + s * vector[2], -s * vector[1] + c * vector[2]
    return _angles(vector[0], y, z)


def galactic_deg(vector: Array) -> tuple[Array, Array]:
    """Returns galactic longitude 0 to 360 and latitude, degrees, (N,), of vectors (3, N)."""
    a, d = math.radians(_POLE_RA_DEG), math.radians(_POLE_DEC_DEG)
    pole = np.array([math.cos(d) * math.cos(a), math.cos(d) * math.sin(a), math.sin(d)])
    node = np.array([-math.sin(a), math.cos(a), 0.0])
    longitude, latitude = _angles(node @ vector, np.cross(pole, node) @ vector, pole @ vector)
    return (longitude + _NODE_DEG) % 360.0, latitude


def _angles(x: Array, y: Array, z: Array) -> tuple[Array, Array]:
    return np.degrees(np.arctan2(y, x)) % 360.0, np.degrees(np.arctan2(z, np.hypot(x, y)))


def survey_k(longitude_deg: Array, latitude_deg: Array, beam_deg: float) -> Array:
    """Returns the brightness temperature (N,) at 408 MHz near the ecliptic for a beam; latitudes
    beyond 5 degrees count as 5, beams below 10 or above 15 degrees as these."""
    rows = _NARROW_K.copy()
    wide = float(np.clip((beam_deg - NARROW_DEG) / (WIDE_DEG - NARROW_DEG), 0.0, 1.0))
    part = rows[:, _WIDE_FROM : _WIDE_FROM + _WIDE_K.size]
    part += wide * (_WIDE_K - part)
    x = longitude_deg % 360.0 / 10.0
    column = np.floor(x).astype(np.int64) % 36
    along = x - np.floor(x)
    y = (np.clip(latitude_deg, -5.0, 5.0) + 5.0) / 5.0
    row = np.minimum(np.floor(y).astype(np.int64), 1)
    across = y - row
    low = rows[row, column] * (1.0 - along) + rows[row, (column + 1) % 36] * along
    high = rows[row + 1, column] * (1.0 - along) + rows[row + 1, (column + 1) % 36] * along
    return np.asarray(low * (1.0 - across) + high * across)


def sky_k(
    frequency_hz: float, longitude_deg: Array, latitude_deg: Array, beam_deg: float = NARROW_DEG
) -> Array:
    """Returns the sky noise temperature (N,) at ecliptic coordinates: the survey's less the
    background, scaled by frequency, plus the background."""
    galaxy = survey_k(longitude_deg, latitude_deg, beam_deg) - BACKGROUND_K
    return np.asarray(galaxy * (frequency_hz / SURVEY_HZ) ** EXPONENT + BACKGROUND_K)


def moon_disk_k(frequency_hz: float, elongation_deg: Array) -> Array:
    """Returns the Moon's mean brightness temperature (N,) by its elongation from the Sun in
    ecliptic longitude (180: full): T0 + T0/M cos(phase - 45 deg), phase counted from full Moon
    (observers' handbook of RATAN-600, Special Astrophysical Observatory). The lag of 45 degrees is
    given for waves above 4 cm and used below, too; there the disk is uncertain by some 10 %."""
    cm = 100.0 * SPEED_OF_LIGHT_M_S / frequency_hz
    mean = (
        225.0 if cm > 35.0 else 206.06 + 1.6308 * cm - 0.043774 * cm**2 + 0.00043042 * cm**3
    )  # fmt: skip
    ratio = 50.0 if cm > 20.0 else 1.2207 + 5.3788 * cm - 0.26528 * cm**2 + 0.0064374 * cm**3
    return np.asarray(mean + mean / ratio * np.cos(np.radians(elongation_deg - 180.0 - 45.0)))


def moon_share(sight_km: Array, beam_deg: float) -> Array:
    """Returns the share (N,) of a Gaussian beam centred on the Moon that its disk fills:
    1 - 2^-(D/beam)^2."""
    diameter_deg = 2.0 * np.degrees(np.arcsin(MOON_RADIUS_KM / norm(sight_km)))
    return np.asarray(1.0 - 2.0 ** (-((diameter_deg / beam_deg) ** 2)))
