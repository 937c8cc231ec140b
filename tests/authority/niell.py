"""Mapping functions of Niell (1996), JGR 101, 3227: an outside check above 3 degrees elevation."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

Array = np.ndarray[Any, np.dtype[np.float64]]

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


def continued_fraction(sine: Any, a: Any, b: Any, c: Any) -> Any:
    """Marini's, in Herring's normal form, 1 at the zenith."""
    return (1.0 + a / (1.0 + b / (1.0 + c))) / (sine + a / (sine + b / (sine + c)))


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


def niell(
    elevation_deg: float | Array, latitude_deg: float, height_m: float, day_of_year: float | Array
) -> tuple[Array, Array]:
    """Returns Niell's hydrostatic and wet mapping functions at elevations above 0 degrees."""
    s = np.sin(np.radians(np.asarray(elevation_deg, dtype=np.float64)))
    dry, wet = niell_coefficients(latitude_deg, day_of_year)
    hydrostatic = continued_fraction(s, *dry)
    hydrostatic += (1.0 / s - continued_fraction(s, *_HEIGHT)) * height_m / 1000.0
    return np.asarray(hydrostatic), np.asarray(continued_fraction(s, *wet))
