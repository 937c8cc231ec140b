"""Attenuation and noise of the atmospheric gases, by frequency and apparent elevation (ITU-R
P.676, annex 1, takes that one), without rain and clouds.

Attenuation at 5 degrees from the line-by-line method of ITU-R P.676 (computed once with the package
itur 0.4.0, slant path, at sea level: 1013.25 hPa, 288.15 K, 7.5 g/m3); other elevations by the
length of the way through a shell 6 km thick, which keeps within 8 % or 0.001 dB of the same method
from 5 degrees to the zenith. High sites have less."""

from __future__ import annotations

import numpy as np

from moontrim.path.vectors import Array

_MHZ = np.array([50.0, 144.0, 432.0, 1296.0, 2304.0, 3400.0, 5760.0, 10368.0, 24048.0, 47088.0])
_AT_5_DEG_DB = np.array(
    [0.0122, 0.063, 0.2175, 0.3575, 0.387, 0.4031, 0.4404, 0.5729, 4.4248, 9.6652]
)
# Above the table nothing is known; between its bands it is a coarse guess (water vapour at 22 GHz).
HIGHEST_HZ = 48e9
SHELL_KM = 6.0  # chosen: see the module's docstring
EARTH_KM = 6371.0  # mean radius
SURFACE_K = 288.15  # the standard atmosphere at sea level (ISO 2533)


def air_mass(elevation_deg: Array) -> Array:
    """Returns the length of the way through the shell as a multiple of its thickness; below the
    horizon the same as at the horizon."""
    ratio = EARTH_KM / SHELL_KM
    sine = np.sin(np.radians(np.maximum(elevation_deg, 0.0)))
    return np.asarray(ratio * (np.sqrt(sine**2 + 2.0 / ratio + 1.0 / ratio**2) - sine))


def gas_attenuation_db(frequency_hz: float, elevation_deg: Array) -> Array:
    """Returns the attenuation (N,), dB, one way; 0 above HIGHEST_HZ, where it is not known."""
    if frequency_hz > HIGHEST_HZ:
        return np.zeros_like(elevation_deg)
    logarithm = np.interp(np.log(frequency_hz / 1e6), np.log(_MHZ), np.log(_AT_5_DEG_DB))
    return np.asarray(np.exp(logarithm) * air_mass(elevation_deg) / air_mass(np.array(5.0)))


def through_atmosphere_k(above_k: Array, loss_db: Array) -> Array:
    """Returns the noise temperature below the atmosphere from above_k, that above it (ITU-R
    P.372-16, equations 10 and 11, with Tmr = 37.34 + 0.81 Ts)."""
    passed = 10.0 ** (-loss_db / 10.0)
    return np.asarray((37.34 + 0.81 * SURFACE_K) * (1.0 - passed) + above_k * passed)
