"""Delay of a radio wave in the neutral atmosphere: zenith delay times mapping function.

The air delays the wave as if the path were longer: by about 2.4 m at the zenith, and by more the
lower the Moon, in proportion to a mapping function of the geometric elevation e, roughly
1 / sin(e). Only the change with time matters for the frequency, and it is largest at the horizon.
So everything is a function of s = sin(e), which is smooth there, and comes with its first two
derivatives by s: the caller multiplies them with the derivatives of s by time to get Doppler and
rate.

Zenith delay: Saastamoinen (1972) as in IERS Conventions 2010 (TN 36), eq. 9.4, and its wet term, in
the International Standard Atmosphere (ISO 2533) at the station's height, with the water vapour of
the mean reference atmosphere of ITU-R P.835 (7.5 g/m3 at sea level, scale height 2 km).

Mapping: a continued fraction of four terms, fitted to rays traced through that atmosphere
(tests/authority/raytrace.py) from -0.7 degrees to the zenith: 0.006 Hz there and back at 10.368 GHz
for stations from 0 to 3 km, 0.04 Hz from -0.5 to 9 km. The functions in use for geodesy end at 3
degrees; above, the latitudes and seasons of Niell (1996) differ from it by up to 0.03 Hz. Weather
makes the true delay differ by some percent: `weather_share`."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from moontrim.path.site import Site
from moontrim.path.vectors import Number

# The continued fraction's a, b, c, d at sea level, and their change per km of station height.
_SEA_LEVEL = (1.25343e-3, 2.67924e-3, 1.086423e-2, 0.172809)
_PER_KM = (-2.20195e-5, -2.64e-6, 2.57479e-4, 2.95929e-3)

# The Moon's upper limb comes into view with its centre at some -1 degree (refraction at sea level:
# 0.6 degrees). Lower there is no path to correct for, but a Doppler that ended there, by some 10 Hz
# there and back at 10 GHz, would make a dial jump. So below LOWEST_SIN the sine is replaced by one
# that levels out within FADE_SIN (value, slope and curvature join smoothly): the delay becomes
# constant, and its Doppler fades out, to 1 % at -2.5 degrees.
LOWEST_SIN = math.sin(math.radians(-0.7))
FADE_SIN = math.sin(math.radians(0.6))

# One sigma of the air of the day from the standard, as shares of its Doppler: those of an ensemble
# of traced atmospheres (tests/authority/test_troposphere_rays.py).
# Pressure: 10 hPa at sea level; per km of height what the temperature of the air below changes.
PRESSURE_SHARE, PRESSURE_SHARE_PER_KM = 0.01, 0.006
# Water vapour: a factor of 1.65 in density, 1.2 in scale height. High up, then what a lower Moon
# adds, over which sine; less for high stations.
VAPOUR_SHARE, LOW_VAPOUR_SHARE, LOW_VAPOUR_SIN, VAPOUR_HEIGHT_KM = 0.027, 0.026, 0.035, 4.0
# Mapping: temperature (15 K), which stretches the air, and its layers near the ground.
MAPPING_SHARE, MAPPING_SIN = 0.036, 0.09

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


def continued_fraction(
    sin_elevation: Number, a: float, b: float, c: float, d: float
) -> WithDerivatives:
    """Returns Marini's continued fraction in Herring's normal form, 1 at the zenith."""
    value, first, second = sin_elevation + d, 1.0, 0.0
    for numerator in (c, b, a):
        # s + numerator / value, with its derivatives.
        share = numerator / (value * value)
        second = share * (2.0 * first * first / value - second)
        first = 1.0 - share * first
        value = sin_elevation + numerator / value
    mapping = (1.0 + a / (1.0 + b / (1.0 + c / (1.0 + d)))) / value
    return (
        mapping,
        -mapping * first / value,
        mapping * (2.0 * first * first / value - second) / value,
    )


def mapping_coefficients(height_km: float) -> tuple[float, float, float, float]:
    """Returns a, b, c, d of the mapping function for a station's height."""
    a, b, c, d = (
        at_sea_level + per_km * height_km
        for at_sea_level, per_km in zip(_SEA_LEVEL, _PER_KM, strict=True)
    )
    return a, b, c, d


def weather_share(sin_elevation: float, height_km: float) -> float:
    """Returns one sigma of the weather's effect on the troposphere's Doppler, as a share of it."""
    sine = max(sin_elevation, LOWEST_SIN)
    vapour = VAPOUR_SHARE + LOW_VAPOUR_SHARE * math.exp(-sine / LOW_VAPOUR_SIN)
    return math.hypot(
        PRESSURE_SHARE,
        PRESSURE_SHARE_PER_KM * height_km,
        vapour * math.exp(-height_km / VAPOUR_HEIGHT_KM),
        MAPPING_SHARE * math.exp(-sine / MAPPING_SIN),
    )


@dataclass(frozen=True)
class Slant:
    """The standard atmosphere over one station: delay at the zenith, and the mapping function's a,
    b, c, d."""

    zenith_m: float
    coefficients: tuple[float, float, float, float]

    def delay_m(self, sin_elevation: Number) -> WithDerivatives:
        """Returns the excess path in metres; below LOWEST_SIN it levels out."""
        # Comparison times value instead of a branch: the same line serves floats and arrays.
        below = (sin_elevation - LOWEST_SIN) * (sin_elevation < LOWEST_SIN)
        tanh = math.tanh if isinstance(below, float) else np.tanh
        level = tanh(below / FADE_SIN)
        slope = 1.0 - level * level
        value, first, second = continued_fraction(
            sin_elevation - below + FADE_SIN * level, *self.coefficients
        )
        return (
            self.zenith_m * value,
            self.zenith_m * first * slope,
            self.zenith_m * slope * (second * slope - first * 2.0 * level / FADE_SIN),
        )


def slant_over(site: Site) -> Slant:
    """Returns the standard atmosphere over a site."""
    height = site.height_m
    return Slant(
        zenith_hydrostatic_m(standard_pressure_hpa(height), site.latitude_deg, height)
        + zenith_wet_m(standard_temperature_k(height), reference_vapour_pressure_hpa(height)),
        mapping_coefficients(height / 1000.0),
    )
