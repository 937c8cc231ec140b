"""The ephemeris thinned for long spans: rotation and Moon every six hours, interpolated between.

Nutation costs most of the time and changes slowly; the Earth's spin changes fast and costs little.
So the spin at its mean rate is taken out of the matrices, the rest is interpolated, and the spin is
put back. Moon and stations are within 1 m of the full ephemeris (polar motion, which turns with the
Earth, is interpolated least well), at a twentieth of the cost."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from moontrim.forecast.interpolation import AFTER, BEFORE, neighbours, slope_weights, weights
from moontrim.path import Ephemeris
from moontrim.path.earthorientation import DAY_S, TT_MINUS_TAI_S, UNIX_JD
from moontrim.path.vectors import Array, cross

# Chosen: gives the error of at most 1 m above.
STEP_S = 21600
# Earth's mean rotation per second (IERS Conventions 2010, eq. 5.15).
SPIN_RAD_PER_S = 2.0 * np.pi * 1.00273781191135448 / DAY_S
# How far the ephemeris must reach beyond the span.
MARGIN_S = float((AFTER + 1) * STEP_S)


class ThinEphemeris:
    """Moon and stations from first_tai_s to last_tai_s, whole TAI seconds.

    after_s, in all methods: seconds (N,) since first_tai_s."""

    def __init__(self, ephemeris: Ephemeris, first_tai_s: int, last_tai_s: int) -> None:
        first = first_tai_s // STEP_S - BEFORE
        count = last_tai_s // STEP_S - first + 1 + AFTER
        tai_s = (first + np.arange(count, dtype=np.int64)) * STEP_S
        day, second = np.divmod(tai_s, int(DAY_S))
        values = ephemeris.evaluate_directly(UNIX_JD + day, (second + TT_MINUS_TAI_S) / DAY_S)
        self._offset_s = float(first_tai_s - first * STEP_S)
        self._count = count
        self._moon = values[:3]
        # Columns of the matrix turned back by the spin.
        x, y, z = (values[3:].reshape(3, 3, count)[:, k] for k in range(3))
        spin = SPIN_RAD_PER_S * (tai_s - tai_s[0])
        c, s = np.cos(spin), np.sin(spin)
        self._slow = np.stack([x * c - y * s, x * s + y * c, z])

    def moon(self, after_s: Array) -> tuple[Array, Array]:
        """Returns the geocentric Moon, km, and its velocity, km/s, (3, N), GCRS."""
        index, u = neighbours((after_s + self._offset_s) / STEP_S, self._count)
        near = self._moon[:, index]
        place = np.einsum("ink,nk->in", near, weights(u))
        return place, np.einsum("ink,nk->in", near, slope_weights(u)) / STEP_S

    def turned(self, after_s: Array, *earth_fixed: NDArray[np.float64]) -> list[Array]:
        """Returns vectors (3,) fixed to the Earth (ITRF93), turned into GCRS, (3, N) each."""
        since_node_s = after_s + self._offset_s
        index, u = neighbours(since_node_s / STEP_S, self._count)
        x, y, z = np.einsum("aink,nk->ain", self._slow[:, :, index], weights(u))
        spin = SPIN_RAD_PER_S * since_node_s
        c, s = np.cos(spin), np.sin(spin)
        one, other = x * c + y * s, y * c - x * s
        return [v[0] * one + v[1] * other + v[2] * z for v in earth_fixed]

    def station(self, after_s: Array, itrs_km: NDArray[np.float64]) -> tuple[Array, Array]:
        """Returns a station, km, and its velocity by the Earth's spin, km/s, (3, N), GCRS."""
        place, axis = self.turned(after_s, itrs_km, np.array([0.0, 0.0, 1.0]))
        return place, SPIN_RAD_PER_S * cross(axis, place)
