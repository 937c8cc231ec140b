"""The Sun: its direction, its distance from the Moon, and its strength at radio frequencies when
quiet.

Direction: Meeus, Astronomical Algorithms (1998), ch. 25, the series of low accuracy (0.01 degrees),
checked against astropy in tests/authority/test_forecast_sky.py."""

from __future__ import annotations

import numpy as np

from moontrim.path.constants import SPEED_OF_LIGHT_M_S
from moontrim.path.ephemeris import Ephemeris
from moontrim.path.refraction import apparent_elevation_deg
from moontrim.path.site import Site
from moontrim.path.vectors import Array, cross, dot, norm

BOLTZMANN_J_K = 1.380649e-23  # exact: SI Brochure (BIPM, 9th edition, 2019)
SFU = 1e-22  # solar flux unit, W m-2 Hz-1
DIAMETER_DEG = 0.533  # mean, of the visible disk
J2000_UTC_S = 946728000.0
CENTURY_S = 36525.0 * 86400.0
# TT - UTC since 2017; half a minute of the Sun's motion is far below the accuracy.
TT_MINUS_UTC_S = 69.2
OBLIQUITY_DEG = 23.4392911  # J2000, IAU 1976
PRECESSION_DEG_PER_CENTURY = 1.3969713  # general precession in longitude, IAU 1976

# Quiet Sun, MHz and solar flux units: round values of the daily lists of NOAA and its radio solar
# telescope network, from memory. An active Sun has 2 to 10 times as much, bursts far more.
_QUIET_MHZ = np.array([245.0, 410.0, 610.0, 1415.0, 2800.0, 4995.0, 8800.0, 15400.0])
_QUIET_SFU = np.array([10.0, 25.0, 35.0, 50.0, 70.0, 110.0, 230.0, 500.0])


def sun_direction(utc_s: Array) -> Array:
    """Returns the geocentric direction of the Sun in the frame of J2000, unit vectors (3, N)."""
    t = (utc_s + TT_MINUS_UTC_S - J2000_UTC_S) / CENTURY_S
    mean_longitude = 280.46646 + 36000.76983 * t + 0.0003032 * t**2
    anomaly = np.radians(357.52911 + 35999.05029 * t - 0.0001537 * t**2)
    centre = (
        (1.914602 - 0.004817 * t) * np.sin(anomaly)
        + (0.019993 - 0.000101 * t) * np.sin(2.0 * anomaly)
        + 0.000289 * np.sin(3.0 * anomaly)
    )
    aberration = -0.00569
    longitude = np.radians(mean_longitude + centre + aberration - PRECESSION_DEG_PER_CENTURY * t)
    obliquity = np.radians(OBLIQUITY_DEG)
    return np.stack(
        [
            np.cos(longitude),
            np.sin(longitude) * np.cos(obliquity),
            np.sin(longitude) * np.sin(obliquity),
        ]
    )


def sun_from(ephemeris: Ephemeris, site: Site, utc_s: Array) -> tuple[Array, Array]:
    """Returns azimuth and apparent elevation of the Sun's centre from a site at POSIX seconds,
    degrees, shape (N,) each, to 0.02 degrees; elevation with the refraction of radio waves, where
    to point an antenna. Raises CoverageError outside the tables."""
    tai_s, rest_s = ephemeris.split(utc_s)
    when = rest_s[np.newaxis]
    sight = sun_direction(utc_s)[:, np.newaxis]
    east, north, up = (
        dot(sight, ephemeris.earth_fixed_track(axis, tai_s)(when))[0]
        for axis in (site.east(), site.north(), site.up())
    )
    geometric_deg = np.degrees(np.arctan2(up, np.hypot(east, north)))
    azimuth_deg = np.degrees(np.arctan2(east, north)) % 360.0
    return azimuth_deg, apparent_elevation_deg(geometric_deg, site.height_m)


def separation_deg(one: Array, other: Array) -> Array:
    """Returns the angle (N,) between vectors (3, N) of any length, degrees."""
    return np.asarray(np.degrees(np.arctan2(norm(cross(one, other)), dot(one, other))))


def quiet_flux_sfu(frequency_hz: float) -> float:
    """Returns the flux of the quiet Sun, by straight lines between logarithms, continued beyond the
    table."""
    x = np.log(frequency_hz / 1e6)
    xs, ys = np.log(_QUIET_MHZ), np.log(_QUIET_SFU)
    k = int(np.clip(np.searchsorted(xs, x) - 1, 0, xs.size - 2))
    return float(np.exp(ys[k] + (ys[k + 1] - ys[k]) * (x - xs[k]) / (xs[k + 1] - xs[k])))


def sun_noise_k(frequency_hz: float, gain_dbi: float, beam_deg: float, off_deg: Array) -> Array:
    """Returns the noise temperature (N,) that the quiet Sun adds to an antenna pointed off_deg from
    it: S lambda^2 G / (8 pi k), with half of the flux because an antenna receives one polarisation,
    less what a narrow beam misses of the disk, in a Gaussian beam. Side lobes are not modelled."""
    wavelength_m = SPEED_OF_LIGHT_M_S / frequency_hz
    gain = 10.0 ** (gain_dbi / 10.0)
    on_axis = (
        quiet_flux_sfu(frequency_hz) * SFU * wavelength_m**2 * gain / (8.0 * np.pi * BOLTZMANN_J_K)
    )
    resolved = np.log(2.0) * (DIAMETER_DEG / beam_deg) ** 2
    on_axis *= -np.expm1(-resolved) / resolved
    return np.asarray(on_axis * 2.0 ** (-((2.0 * off_deg / beam_deg) ** 2)))
