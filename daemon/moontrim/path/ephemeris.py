"""Positions of the Moon and of stations in the geocentric celestial frame (GCRS), at any instant.

Skyfield's rotation (IAU 2000A nutation, IAU 2006 precession, UT1 and polar motion from the table)
and the JPL kernel are evaluated only at the Chebyshev nodes of six-hour blocks; everything else is
read off those polynomials.

Time: public instants are POSIX seconds UTC (`utc_s`) plus an offset in SI seconds. Inside, an
instant is a whole TAI second (int64, POSIX seconds + TAI-UTC) and a small float, so that no
resolution is lost."""

from __future__ import annotations

import threading
from collections import OrderedDict
from datetime import UTC, datetime
from pathlib import Path

import astropy_iers_data
import numpy as np
from jplephem.spk import BaseSegment
from numpy.typing import ArrayLike, NDArray
from skyfield.constants import ASEC2RAD
from skyfield.framelib import itrs
from skyfield.functions import mxm, mxmxm, rot_x, rot_y, rot_z
from skyfield.timelib import Time, Timescale

from moontrim.errors import CoverageError
from moontrim.path.chebyshev import VectorCurve, fit_matrix, nodes
from moontrim.path.earthorientation import (
    DAY_S,
    TT_MINUS_TAI_S,
    UNIX_JD,
    EarthOrientation,
    EarthTable,
    itrf93_from_itrf,
)
from moontrim.path.site import Site
from moontrim.path.tablefiles import UPGRADE, packaged_kernel, read_kernel, read_table
from moontrim.path.vectors import Array

BLOCK_S = 21600
# Blocks start 37 s (TAI-UTC since 2017) after multiples of six hours TAI: at 00, 06, 12, 18 h UTC,
# where the daily table has its knots.
BLOCK_START_TAI_S = 37
# Each block's polynomial holds this far beyond its ends, so that one piece serves an instant, its
# light times and the stencil around it.
BLOCK_MARGIN_S = 400.0
# Chosen: polynomials through so many nodes agree with direct evaluation to 2e-9 km
# (tests/unit/path/test_path_ephemeris.py).
NODES = 18
# Chosen: 1024 days, 7 MB.
BLOCKS_KEPT = 4096
# Blocks in one skyfield call: bounds the memory of the nutation series.
BLOCKS_PER_CALL = 32
# The usable range ends this far inside the tables: room for a whole block with its margin.
TABLE_MARGIN_S = 43200.0


class Ephemeris:
    """Moon and stations in GCRS; made by `load`. Results do not depend on earlier calls, and
    several threads may use it."""

    def __init__(self, table: EarthTable, kernel: tuple[BaseSegment, BaseSegment]) -> None:
        self._table = table
        self._timescale = _timescale(table)
        self._moon_segment, self._earth_segment = kernel
        self._blocks: OrderedDict[int, Array] = OrderedDict()
        self._lock = threading.Lock()
        kernel_first = (max(segment.start_jd for segment in kernel) - UNIX_JD) * DAY_S
        kernel_last = (min(segment.end_jd for segment in kernel) - UNIX_JD) * DAY_S
        self.first_utc_s = max(table.first_utc_s, kernel_first) + TABLE_MARGIN_S
        """First usable instant, POSIX seconds."""
        self.last_utc_s = min(table.last_utc_s, kernel_last) - TABLE_MARGIN_S
        """Last usable instant, POSIX seconds; its later part is predicted."""
        self.table_last_measured_utc_s = table.last_measured_utc_s
        """The last day whose UT1 was measured, not predicted, POSIX seconds."""

    @classmethod
    def load(
        cls, finals_path: Path | str | None = None, kernel_path: Path | str | None = None
    ) -> Ephemeris:
        """Reads the Earth orientation table and the lunar kernel. Raises CoverageError if a file is
        missing or damaged.

        finals_path: a finals2000A file; None: the one of the package astropy-iers-data.
        kernel_path: a JPL SPK file; None: DE421 from the package skyfield-data."""
        return cls(
            read_table(Path(finals_path or astropy_iers_data.IERS_A_FILE)),
            read_kernel(Path(kernel_path) if kernel_path else packaged_kernel()),
        )

    def earth_orientation(self, utc_s: float) -> EarthOrientation:
        """Returns UT1-UTC, the pole, their one-sigma uncertainties and whether UT1 is predicted.
        Raises CoverageError outside the usable range."""
        self.require(np.float64(utc_s))
        return self._table.at(utc_s)

    def require(self, utc_s: ArrayLike) -> None:
        """Raises CoverageError unless all instants are finite and inside the usable range."""
        if isinstance(utc_s, float) and self.first_utc_s <= utc_s <= self.last_utc_s:
            return  # one instant a tick need not become an array
        utc = np.asarray(utc_s, dtype=np.float64)
        good = (utc >= self.first_utc_s) & (utc <= self.last_utc_s)  # NaN is not good either
        if not good.all():
            worst = float(utc[~good].flat[0])
            raise CoverageError(
                f"{_iso(worst)} is outside the tables (Earth orientation, Moon), which cover "
                f"{_iso(self.first_utc_s)} to {_iso(self.last_utc_s)}; {UPGRADE}"
            )

    def split(self, utc_s: ArrayLike) -> tuple[NDArray[np.int64], Array]:
        """Returns POSIX seconds (N,) as whole TAI seconds (N,) and the exact remainder in [0, 1),
        SI seconds. Raises CoverageError outside the usable range."""
        utc = np.asarray(utc_s, dtype=np.float64)
        self.require(utc)
        whole = np.floor(utc)
        return whole.astype(np.int64) + self._table.tai_minus_utc_s(utc), np.asarray(utc - whole)

    def tai_minus_utc_s(self, utc_s: float) -> int:
        """Returns the whole seconds by which TAI is ahead of UTC at POSIX seconds utc_s."""
        return int(self._table.tai_minus_utc_s(utc_s))

    def days_since_j2000(self, tai_s: NDArray[np.int64]) -> Array:
        """Returns days (TT, within 2 ms of TDB) since 2000-01-01 12h for whole TAI seconds."""
        return np.asarray((tai_s + TT_MINUS_TAI_S) / DAY_S + (UNIX_JD - 2451545.0))

    def moon_track(self, tai_s: NDArray[np.int64]) -> VectorCurve:
        """Returns the geocentric Moon, GCRS km, as a function of seconds after whole TAI seconds
        (N,), for up to BLOCK_MARGIN_S either way."""
        blocks, inverse, since_middle = self._locate(tai_s)
        return _track(blocks[:, :, :3], inverse, since_middle)

    def earth_fixed_track(self, itrs_vector: Array, tai_s: NDArray[np.int64]) -> VectorCurve:
        """Returns the same for a vector (3,) fixed to the Earth (ITRF93), turned into GCRS."""
        blocks, inverse, since_middle = self._locate(tai_s)
        matrices = blocks[:, :, 3:].reshape(*blocks.shape[:2], 3, 3)
        return _track(matrices @ itrs_vector, inverse, since_middle)

    def moon_km(self, utc_s: ArrayLike, offset_s: ArrayLike = 0.0) -> Array:
        """Returns the geocentric Moon in GCRS, km, shape (3, N), at POSIX seconds utc_s (N,) plus
        SI seconds offset_s (at most BLOCK_MARGIN_S)."""
        tai_s, rest_s = self.split(np.atleast_1d(utc_s))
        offset = np.asarray(rest_s + np.asarray(offset_s, dtype=np.float64))
        return np.asarray(self.moon_track(tai_s)(offset[np.newaxis])[:, 0])

    def station_km(self, site: Site, utc_s: ArrayLike, offset_s: ArrayLike = 0.0) -> Array:
        """Returns a station in GCRS, km, shape (3, N); arguments as for `moon_km`."""
        tai_s, rest_s = self.split(np.atleast_1d(utc_s))
        offset = np.asarray(rest_s + np.asarray(offset_s, dtype=np.float64))
        return np.asarray(self.earth_fixed_track(site.itrs_km(), tai_s)(offset[np.newaxis])[:, 0])

    def _locate(self, tai_s: NDArray[np.int64]) -> tuple[Array, NDArray[np.int64], Array]:
        """Returns the coefficients (B, K, 12) of the blocks needed, which of them serves each of N
        instants, and seconds (N,) since the middle of that block."""
        index = (tai_s - BLOCK_START_TAI_S) // BLOCK_S
        wanted, inverse = np.unique(index, return_inverse=True)
        start_s = index * BLOCK_S + BLOCK_START_TAI_S
        since_middle = (tai_s - start_s).astype(np.float64) - BLOCK_S / 2
        return self._coefficients(wanted), inverse.reshape(tai_s.shape), since_middle

    def _coefficients(self, wanted: NDArray[np.int64]) -> Array:
        blocks: dict[int, Array] = {}
        with self._lock:
            for key in wanted.tolist():
                block = self._blocks.get(key)
                if block is not None:
                    self._blocks.move_to_end(key)
                    blocks[key] = block
        missing = [key for key in wanted.tolist() if key not in blocks]
        for at in range(0, len(missing), BLOCKS_PER_CALL):
            keys = missing[at : at + BLOCKS_PER_CALL]
            blocks.update(zip(keys, self._evaluate(keys), strict=True))
        with self._lock:
            for key in missing[-BLOCKS_KEPT:]:
                self._blocks[key] = blocks[key]
            while len(self._blocks) > BLOCKS_KEPT:
                self._blocks.popitem(last=False)
        stacked = np.empty((wanted.size, NODES, 12))
        for row, key in enumerate(wanted.tolist()):
            stacked[row] = blocks[key]
        return stacked

    def _evaluate(self, keys: list[int]) -> Array:
        """Returns the coefficients (B, K, 12) of blocks: Moon km (3), then the ITRS to GCRS matrix
        (9)."""
        half = BLOCK_S / 2 + BLOCK_MARGIN_S
        start_s = np.array(keys, dtype=np.int64)[:, None] * BLOCK_S + BLOCK_START_TAI_S
        day, second = np.divmod(start_s, int(DAY_S))
        tt_second = second + (BLOCK_S / 2 + TT_MINUS_TAI_S) + nodes(NODES) * half
        whole = np.broadcast_to(UNIX_JD + day, tt_second.shape).astype(np.float64)
        values = self.evaluate_directly(whole.ravel(), tt_second.ravel() / DAY_S)
        values = values.reshape(12, len(keys), NODES)
        return np.asarray(np.einsum("kn,vbn->bkv", fit_matrix(NODES), values))

    def evaluate_directly(self, tt_jd: Array, tt_fraction: Array) -> Array:
        """Returns Moon km (3) and the Earth-fixed (ITRF93) to GCRS matrix (9), (12, N), at Julian
        dates TT in two parts: from skyfield and the kernel, without polynomials of this module.
        Blocks are made from this."""
        time = Time(self._timescale, tt_jd, tt_fraction)
        moon = self._moon_segment.compute(time.whole, time.tdb_fraction)[:3]
        earth = self._earth_segment.compute(time.whole, time.tdb_fraction)[:3]
        x, y = self._table.pole_arcsec(time.tt)
        # Polar motion W with the TIO locator (IERS Conventions 2010, eq. 5.3 and 5.13).
        locator = -47.0e-6 * (time.tdb - 2451545.0) / 36525.0
        pole = mxmxm(rot_x(y * ASEC2RAD), rot_y(x * ASEC2RAD), rot_z(-locator * ASEC2RAD))
        to_itrs = mxm(itrf93_from_itrf(time.tt), mxm(pole, itrs.rotation_at(time)))
        # Element (i, j) of the inverse, ITRS to GCRS, is element (j, i) here.
        to_gcrs = np.swapaxes(to_itrs, 0, 1).reshape(9, -1)
        return np.concatenate([moon - earth, to_gcrs])


def _track(coefficients: Array, inverse: NDArray[np.int64], since_middle: Array) -> VectorCurve:
    """Returns the curve of coefficients (B, K, 3), given the block of each instant."""
    pieces = coefficients.transpose(1, 2, 0)[:, :, np.newaxis, :]
    if pieces.shape[3] > 1:
        pieces = pieces[..., inverse]
    return VectorCurve(pieces, since_middle, BLOCK_S / 2 + BLOCK_MARGIN_S)


def _timescale(table: EarthTable) -> Timescale:
    """Returns skyfield's timescale on this table. Its leap seconds are placeholders: all instants
    come in as TT, so they are never used."""
    return Timescale(table.delta_t_s, np.array([2441317.5]), np.array([10.0]))


def _iso(utc_s: float) -> str:
    try:
        return datetime.fromtimestamp(utc_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    except (ValueError, OverflowError, OSError):
        return f"{utc_s} s"
