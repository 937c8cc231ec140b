"""The Earth orientation table (IERS finals2000A): UT1, polar motion, their sigmas and leap seconds,
interpolated between the daily values; and the frame that stations are in.

Takes parsed columns: `tablefiles` reads the file."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from moontrim.path.vectors import Array

DAY_S = 86400.0
# 1970-01-01 0h, where POSIX seconds begin, as a modified Julian date and as a Julian date.
UNIX_MJD = 40587.0
UNIX_JD = 2440587.5
TT_MINUS_TAI_S = 32.184  # by the definition of TT

# Rotation parameters from ITRF2014 to ITRF93 at 2010.0 and per year, milliarcseconds, from the
# table "Transformation parameters from ITRF2014 to past ITRFs" (ITRF centre, IGN); checked against
# NAIF's Earth kernel in tests/authority/test_naif.py.
_ROTATION_MAS = np.array([-2.81, -3.38, 0.40])
_ROTATION_MAS_PER_YEAR = np.array([-0.11, -0.19, 0.07])
_JD_2010 = 2455197.5
_RAD_PER_MAS = np.pi / (180.0 * 3600.0e3)


@dataclass(frozen=True)
class EarthOrientation:
    """State of the Earth's rotation at an instant, interpolated from the table.

    uncertainty_s: one sigma of ut1_minus_utc_s. predicted: whether the instant is after the last
    measured day. pole_uncertainty_arcsec: one sigma of both coordinates of the pole together."""

    ut1_minus_utc_s: float
    uncertainty_s: float
    predicted: bool
    pole_x_arcsec: float = 0.0
    pole_y_arcsec: float = 0.0
    pole_uncertainty_arcsec: float = 0.0


class DailyCurve:
    """A smooth curve through daily values: cubic Hermite pieces with slopes from five-point central
    differences, so that value and slope are continuous at midnight and only the curvature jumps
    (for UT1 by some 1e-5 s/d^2, far below 1e-9 Hz/s at 10 GHz)."""

    def __init__(self, day: Array, value: Array) -> None:
        slope = np.gradient(value)
        slope[2:-2] = (8.0 * (value[3:-1] - value[1:-3]) - (value[4:] - value[:-4])) / 12.0
        self._day, self._value, self._slope = day, value, slope

    def __call__(self, day: Array) -> Array:
        index = np.clip(np.searchsorted(self._day, day, side="right") - 1, 0, self._day.size - 2)
        width = self._day[index + 1] - self._day[index]
        u = (day - self._day[index]) / width
        a, b = self._value[index], self._value[index + 1]
        p, q = self._slope[index], self._slope[index + 1]
        rise = b - a
        return np.asarray(a + u * (p + u * (3.0 * rise - 2.0 * p - q + u * (p + q - 2.0 * rise))))


class EarthTable:
    """The daily rows of the table, ascending.

    measured: whether a row's UT1 is measured, not predicted.
    tt_jd, delta_t_s: the same rows on the TT scale, and TT - UT1.
    leap_mjd: UTC dates from which each further leap second counts.
    leap_tai_minus_utc_s: TAI - UTC from each of these dates on."""

    def __init__(
        self,
        *,
        utc_mjd: Array,
        ut1_sigma_s: Array,
        measured: NDArray[np.bool_],
        pole_x_arcsec: Array,
        pole_y_arcsec: Array,
        pole_sigma_arcsec: Array,
        tt_jd: Array,
        delta_t_s: Array,
        leap_mjd: Array,
        leap_tai_minus_utc_s: Array,
    ) -> None:
        self.first_utc_s = float((utc_mjd[0] - UNIX_MJD) * DAY_S)
        self.last_utc_s = float((utc_mjd[-1] - UNIX_MJD) * DAY_S)
        last_measured = utc_mjd[measured][-1] if measured.any() else utc_mjd[0]
        self.last_measured_utc_s = float((last_measured - UNIX_MJD) * DAY_S)
        self._utc_mjd = utc_mjd
        self._ut1_sigma_s = ut1_sigma_s
        self._pole_sigma_arcsec = pole_sigma_arcsec
        self._leap_utc_s = (leap_mjd - UNIX_MJD) * DAY_S
        self._tai_minus_utc_s = leap_tai_minus_utc_s.astype(np.int64)
        self._delta_t = DailyCurve(tt_jd, delta_t_s)
        self._pole_x = DailyCurve(tt_jd, pole_x_arcsec)
        self._pole_y = DailyCurve(tt_jd, pole_y_arcsec)

    def tai_minus_utc_s(self, utc_s: ArrayLike) -> NDArray[np.int64]:
        """Returns whole seconds by which TAI is ahead of UTC, for POSIX seconds of any shape."""
        index = np.searchsorted(self._leap_utc_s, utc_s, side="right") - 1
        return np.asarray(self._tai_minus_utc_s[np.maximum(index, 0)])

    def delta_t_s(self, tt_jd: Array) -> Array:
        """Returns TT - UT1 in seconds at Julian dates TT."""
        return self._delta_t(tt_jd)

    def pole_arcsec(self, tt_jd: Array) -> tuple[Array, Array]:
        """Returns the pole coordinates x, y in arcseconds at Julian dates TT."""
        return self._pole_x(tt_jd), self._pole_y(tt_jd)

    def at(self, utc_s: float) -> EarthOrientation:
        """Returns the Earth's rotation at POSIX seconds, which the caller has checked to be inside
        the table."""
        ahead_s = float(self.tai_minus_utc_s(utc_s))
        tt_jd = np.array(UNIX_JD + (utc_s + ahead_s + TT_MINUS_TAI_S) / DAY_S)
        mjd = UNIX_MJD + utc_s / DAY_S
        pole_x, pole_y = self.pole_arcsec(tt_jd)
        return EarthOrientation(
            ut1_minus_utc_s=float(TT_MINUS_TAI_S + ahead_s - self._delta_t(tt_jd)),
            uncertainty_s=float(np.interp(mjd, self._utc_mjd, self._ut1_sigma_s)),
            predicted=utc_s > self.last_measured_utc_s,
            pole_x_arcsec=float(pole_x),
            pole_y_arcsec=float(pole_y),
            pole_uncertainty_arcsec=float(np.interp(mjd, self._utc_mjd, self._pole_sigma_arcsec)),
        )


def itrf93_from_itrf(tt_jd: Array) -> Array:
    """Returns the matrices (3, 3, N) that turn vectors from the current ITRF into ITRF93 at Julian
    dates TT (N,); rotation only.

    The Earth orientation table gives the celestial orientation of the current ITRF (2014 and 2020
    agree to millimetres); ITRF93, the frame of NAIF's Earth kernels, is turned against it by about
    0.2 m at the equator. Stations are taken to be in ITRF93, so that results can be compared with
    JPL's tools digit by digit. A position from a GNSS receiver is in the current ITRF: taking it
    for ITRF93 costs at most 0.0014 Hz two ways at 10.368 GHz, as much as 0.3 m of error in the
    position itself."""
    years = (np.asarray(tt_jd) - _JD_2010) / 365.25
    x, y, z = (
        _ROTATION_MAS[:, np.newaxis] + _ROTATION_MAS_PER_YEAR[:, np.newaxis] * years
    ) * _RAD_PER_MAS
    one = np.ones_like(x)
    return np.array([[one, -z, y], [z, one, -x], [-y, x, one]])
