"""Delay of a radio wave in the neutral atmosphere: zenith delay times mapping function.

The air delays the wave as if the path were longer: by about 2.4 m at the zenith, and by more the
lower the Moon, in proportion to a mapping function of the elevation e, roughly 1 / sin(e). Only the
change with time matters for the frequency, and it is largest at the horizon. So everything is
a function of s = sin(e), which is smooth there, and comes with its first two derivatives by s: the
caller multiplies them with the derivatives of s by time to get shift and rate.

Zenith delay: Saastamoinen (1972) as in IERS Conventions 2010 (TN 36), eq. 9.4, and its wet term, in
the International Standard Atmosphere (ISO 2533) at the station's height, with the water vapour of
the mean reference atmosphere of ITU-R P.835 (7.5 g/m3 at sea level, scale height 2 km). Mapping:
Niell (1996), JGR 101, 3227. Weather makes the true delay differ by some ten percent."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from moontrim.path.site import Site
from moontrim.path.vectors import Array, Number

# Niell 1996, tables 3 and 4: latitude; a, b, c of the hydrostatic mean, its yearly amplitude, wet.
_LATITUDE_DEG = np.array([15.0, 30.0, 45.0, 60.0, 75.0])
_HYDROSTATIC_MEAN = np.array(
    [
        [1.2769934e-3, 1.2683230e-3, 1.2465397e-3, 1.2196049e-3, 1.2045996e-3],
        [2.9153695e-3, 2.9152299e-3, 2.9288445e-3, 2.9022565e-3, 2.9024912e-3],
        [62.610505e-3, 62.837393e-3, 63.721774e-3, 63.824265e-3, 64.258455e-3],
    ]
)
_HYDROSTATIC_AMPLITUDE = np.array(
    [
        [0.0, 1.2709626e-5, 2.6523662e-5, 3.4000452e-5, 4.1202191e-5],
        [0.0, 2.1414979e-5, 3.0160779e-5, 7.2562722e-5, 11.723375e-5],
        [0.0, 9.0128400e-5, 4.3497037e-5, 84.795348e-5, 170.37206e-5],
    ]
)
_WET = np.array(
    [
        [5.8021897e-4, 5.6794847e-4, 5.8118019e-4, 5.9727542e-4, 6.1641693e-4],
        [1.4275268e-3, 1.5138625e-3, 1.4572752e-3, 1.5007428e-3, 1.7599082e-3],
        [4.3472961e-2, 4.6729510e-2, 4.3908931e-2, 4.4626982e-2, 5.4736038e-2],
    ]
)
# Niell 1996, table 3: a, b, c of the height correction.
_HEIGHT = (2.53e-5, 5.49e-3, 1.14e-3)

# The height correction 1/sin(e) - m(e) runs away at the horizon, where it was never meant to be
# used; below this elevation it is continued along its tangent.
HEIGHT_TERM_LOWEST_SIN = math.sin(math.radians(1.0))

# Below the geometric horizon there is no path to correct for, but a shift that ended there (by some
# 3 Hz a leg at 10 GHz) would make a dial jump; it fades out instead, by a factor e in this.
FADE_SIN = math.sin(math.radians(1.0))

# Of a function of s = sin(elevation): value, first and second derivative by s.
WithDerivatives = tuple[Number, Number, Number]


def standard_pressure_hpa(height_m: float) -> float:
    """Returns the pressure of the standard atmosphere below 11 km (ISO 2533)."""
    return float(1013.25 * (1.0 - 0.0065 * height_m / 288.15) ** 5.25588)


def standard_temperature_k(height_m: float) -> float:
    """Returns the temperature of the standard atmosphere below 11 km (ISO 2533)."""
    return 288.15 - 0.0065 * height_m


def reference_vapour_pressure_hpa(height_m: float) -> float:
    """Returns the partial pressure of water vapour in the mean reference atmosphere of ITU-R
    P.835."""
    density_g_m3 = 7.5 * math.exp(-height_m / 2000.0)
    return density_g_m3 * standard_temperature_k(height_m) / 216.7


def zenith_hydrostatic_m(pressure_hpa: float, latitude_deg: float, height_m: float) -> float:
    """Returns the hydrostatic zenith delay in metres (Saastamoinen 1972, Davis et al. 1985, TN 36
    eq. 9.4)."""
    gravity = 1.0 - 0.00266 * math.cos(2.0 * math.radians(latitude_deg)) - 0.28e-6 * height_m
    return 0.0022768 * pressure_hpa / gravity


def zenith_wet_m(temperature_k: float, vapour_pressure_hpa: float) -> float:
    """Returns the wet zenith delay in metres (Saastamoinen 1972)."""
    return 0.0022768 * (1255.0 / temperature_k + 0.05) * vapour_pressure_hpa


def continued_fraction(sin_elevation: Number, a: Number, b: Number, c: Number) -> WithDerivatives:
    """Returns Marini's continued fraction in Herring's normal form, 1 at the zenith."""
    y3 = sin_elevation + c
    y2 = sin_elevation + b / y3
    dy2 = 1.0 - b / (y3 * y3)
    ddy2 = 2.0 * b / (y3 * y3 * y3)
    y1 = sin_elevation + a / y2
    dy1 = 1.0 - a * dy2 / (y2 * y2)
    ddy1 = a * (2.0 * dy2 * dy2 / y2 - ddy2) / (y2 * y2)
    value = (1.0 + a / (1.0 + b / (1.0 + c))) / y1
    return (
        value,
        -value * dy1 / y1,
        value * (2.0 * dy1 * dy1 / y1 - ddy1) / y1,
    )


def day_of_year(utc_s: ArrayLike) -> Array:
    """Returns the day of the year with fraction, 1 January 0h = 1.0, for POSIX seconds of any
    shape."""
    utc = np.asarray(utc_s, dtype=np.float64)
    year = np.floor(utc).astype(np.int64).astype("datetime64[s]").astype("datetime64[Y]")
    start_s = year.astype("datetime64[s]").astype(np.int64)
    return np.asarray((utc - start_s) / 86400.0 + 1.0)


def niell_coefficients(
    latitude_deg: float, day_of_year: float | Array
) -> tuple[tuple[Array, Array, Array], tuple[float, float, float]]:
    """Returns Niell's a, b, c: hydrostatic (shape of day_of_year, 1 January 0h = 1) and wet. South
    of the equator the season is half a year later."""
    latitude = abs(latitude_deg)
    phase = (np.asarray(day_of_year) - 28.0) / 365.25 + (0.5 if latitude_deg < 0.0 else 0.0)
    season = np.cos(2.0 * np.pi * phase)
    dry = [
        np.asarray(
            np.interp(latitude, _LATITUDE_DEG, mean)
            - np.interp(latitude, _LATITUDE_DEG, amplitude) * season
        )
        for mean, amplitude in zip(_HYDROSTATIC_MEAN, _HYDROSTATIC_AMPLITUDE, strict=True)
    ]
    wet = [float(np.interp(latitude, _LATITUDE_DEG, row)) for row in _WET]
    return (dry[0], dry[1], dry[2]), (wet[0], wet[1], wet[2])


def height_term(sin_elevation: Number) -> WithDerivatives:
    """Returns Niell's height correction of the hydrostatic mapping, per kilometre; below
    HEIGHT_TERM_LOWEST_SIN along its tangent."""
    # Comparison times value instead of a branch: the same line serves floats and arrays.
    low = (sin_elevation - HEIGHT_TERM_LOWEST_SIN) * (sin_elevation < HEIGHT_TERM_LOWEST_SIN)
    s = sin_elevation - low
    m, dm, ddm = continued_fraction(s, *_HEIGHT)
    value, first, second = 1.0 / s - m, -1.0 / (s * s) - dm, 2.0 / (s * s * s) - ddm
    return value + first * low, first, second * (low == 0.0)


def niell(
    elevation_deg: float | Array, latitude_deg: float, height_m: float, day_of_year: float | Array
) -> tuple[Array, Array]:
    """Returns Niell's hydrostatic and wet mapping functions at elevations above 0 degrees."""
    s = np.sin(np.radians(np.asarray(elevation_deg, dtype=np.float64)))
    dry, wet = niell_coefficients(latitude_deg, day_of_year)
    hydrostatic = continued_fraction(s, *dry)[0] + height_term(s)[0] * height_m / 1000.0
    return np.asarray(hydrostatic), np.asarray(continued_fraction(s, *wet)[0])


@dataclass(frozen=True)
class Slant:
    """The standard atmosphere over one station in one season, with what does not depend on the
    elevation worked out. hydrostatic, wet: Niell's a, b, c."""

    zenith_hydrostatic_m: float
    zenith_wet_m: float
    hydrostatic: tuple[Number, Number, Number]
    wet: tuple[float, float, float]
    height_km: float

    def delay_m(self, sin_elevation: Number) -> WithDerivatives:
        """Returns the excess path in metres; below the horizon it fades out with a continuous
        slope."""
        below = sin_elevation * (sin_elevation < 0.0)
        s = sin_elevation - below
        a, b, c = self.hydrostatic
        dry = continued_fraction(s, a, b, c)
        wet = continued_fraction(s, *self.wet)
        high = height_term(s)
        h, zd, zw = self.height_km, self.zenith_hydrostatic_m, self.zenith_wet_m
        value = zd * (dry[0] + high[0] * h) + zw * wet[0]
        first = zd * (dry[1] + high[1] * h) + zw * wet[1]
        second = zd * (dry[2] + high[2] * h) + zw * wet[2]
        exp = math.exp if isinstance(below, float) else np.exp
        left = exp(below / FADE_SIN)
        return (
            value - first * FADE_SIN * (1.0 - left),
            first * left,
            second * (below == 0.0) + first * left / FADE_SIN * (below < 0.0),
        )


def slant_over(site: Site, day_of_year: float | Array) -> Slant:
    """Returns the standard atmosphere over a site on a day of the year (a number or (N,))."""
    dry, wet = niell_coefficients(site.latitude_deg, day_of_year)
    height = site.height_m
    return Slant(
        zenith_hydrostatic_m(standard_pressure_hpa(height), site.latitude_deg, height),
        zenith_wet_m(standard_temperature_k(height), reference_vapour_pressure_hpa(height)),
        dry,
        wet,
        height / 1000.0,
    )
