"""The course of the Moon over a pair of stations: solved every half hour, interpolated between.

Interpolated are vectors (lines of sight, the gradient of the range rate over the disk), never
lengths or angles: vectors turn smoothly once a day, while the spread has sharp minima. At diurnal
speed the error is 2.4e-8 of the vector, 1.4e-6 degrees or 0.3 ms of rising (see `interpolation`).
Within an hour and a half of a leap second it is up to a second."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike

from moontrim.forecast import thinephemeris
from moontrim.forecast.interpolation import AFTER, BEFORE, neighbours, weights
from moontrim.forecast.thinephemeris import ThinEphemeris
from moontrim.path import Ephemeris, Site
from moontrim.path.constants import MOON_RADIUS_KM, SPEED_OF_LIGHT_KM_S
from moontrim.path.libration import apparent_turn, rotation_rad_per_s, spread_fraction
from moontrim.path.refraction import apparent_elevation_deg
from moontrim.path.vectors import Array, dot, norm

# Chosen: gives the interpolation's error above, far below a second of rising.
STEP_S = 1800.0
MINUTE_S = 60.0
MINUTES_PER_STEP = int(STEP_S / MINUTE_S)
# Steps solved at once, 32 days, and steps whose minutes are held at once, 30 days: bound the
# memory.
SOLVED_AT_ONCE = 1536
SCANNED_AT_ONCE = 1440
# Room that a course needs beyond its ends.
MARGIN_S = 4.0 * STEP_S + thinephemeris.MARGIN_S

# Rows of the table of solved instants, three components each: lines of sight from both ends by
# east, north and up and in GCRS, the geocentric Moon, and the gradient of the range rate over the
# disk.
HOME_LOCAL, HOME_SIGHT, FAR_LOCAL, FAR_SIGHT, MOON, TURN = (
    slice(3 * i, 3 * i + 3) for i in range(6)
)


@dataclass(frozen=True)
class MoonFromEnd:
    """The Moon's centre from one end at N instants.

    elevation_deg: apparent, with refraction.
    geometric_elevation_deg: of the straight line.
    sight_km: line of sight in the celestial frame (GCRS), (3, N)."""

    azimuth_deg: Array
    elevation_deg: Array
    geometric_elevation_deg: Array
    distance_km: Array
    sight_km: Array


@dataclass(frozen=True)
class Sky:
    """The Moon over both ends at N instants.

    moon_km: the geocentric Moon, GCRS, (3, N).
    spread_fraction: limb-to-limb spread of the whole path as a fraction of the frequency."""

    utc_s: Array
    home: MoonFromEnd
    far: MoonFromEnd
    moon_km: Array
    spread_fraction: Array


@dataclass(frozen=True)
class _Piece:
    """Solved instants (N,) that share a thin ephemeris.

    columns: their place in the table.
    now_s, bounce_s: when the wave arrives at home and when it left the Moon, as the thin
    ephemeris counts.
    moon_at_bounce: place, km, and velocity, km/s, of the Moon at bounce_s.
    turn_rad_s: the Moon's rotation."""

    columns: slice
    thin: ThinEphemeris
    now_s: Array
    bounce_s: Array
    moon_at_bounce: tuple[Array, Array]
    turn_rad_s: Array


class HomeCourse:
    """What the courses from one home to all partners share, from from_utc_s to until_utc_s: the
    Moon, the thin ephemeris, and home's rows of the table of solved instants."""

    def __init__(
        self, ephemeris: Ephemeris, home: Site, from_utc_s: float, until_utc_s: float
    ) -> None:
        """Solves home's rows. Raises CoverageError unless the tables reach MARGIN_S beyond both
        ends."""
        ephemeris.require([from_utc_s - MARGIN_S, until_utc_s + MARGIN_S])
        self.from_utc_s, self.until_utc_s, self.site = from_utc_s, until_utc_s, home
        self.first = int(from_utc_s // STEP_S) - BEFORE
        steps = int(until_utc_s // STEP_S) - self.first + 1 + AFTER
        nodes_utc_s = (self.first + np.arange(steps, dtype=np.float64)) * STEP_S
        self.table = np.zeros((18, steps))
        self.pieces = tuple(
            self._solve(ephemeris, slice(at, at + SOLVED_AT_ONCE), nodes_utc_s)
            for at in range(0, steps, SOLVED_AT_ONCE)
        )

    def minutes(self) -> Iterator[tuple[Array, Array]]:
        """Yields, piece by piece, instants (N,) and east, north and up components, km, (3, N), of
        home's lines of sight at every whole minute of the steps that hold the course; a little more
        than the course at either end."""
        return _minutes(self.table[HOME_LOCAL], self.first)

    def _solve(self, ephemeris: Ephemeris, columns: slice, nodes_utc_s: Array) -> _Piece:
        """Fills home's rows of a piece: lines of sight at home's time; the gradient for a wave
        that arrives at home then and left the Moon a light time before."""
        # Whole half hours of UTC have no fractions of a second.
        tai_s, _ = ephemeris.split(nodes_utc_s[columns])
        thin = ThinEphemeris(ephemeris, int(tai_s[0]) - 10, int(tai_s[-1]))
        now_s = (tai_s - (tai_s[0] - 10)).astype(np.float64)
        table = self.table[:, columns]
        table[MOON], _ = thin.moon(now_s)
        light_s = _sight(thin, now_s, self.site, table, HOME_LOCAL, HOME_SIGHT)
        bounce_s = now_s - light_s
        piece = _Piece(
            columns,
            thin,
            now_s,
            bounce_s,
            thin.moon(bounce_s),
            rotation_rad_per_s(ephemeris.days_since_j2000(tai_s)),
        )
        table[TURN] = apparent_turn(
            *thin.station(now_s, self.site.itrs_km()), *piece.moon_at_bounce, piece.turn_rad_s
        )
        return piece


def _sight(
    thin: ThinEphemeris, now_s: Array, site: Site, table: Array, local_rows: slice, rows: slice
) -> Array:
    """Fills the lines of sight from a site and returns the light time to the Moon, s, (N,)."""
    place, *axes = thin.turned(now_s, site.itrs_km(), site.east(), site.north(), site.up())
    sight = table[MOON] - place
    table[rows] = sight
    table[local_rows] = [dot(sight, axis) for axis in axes]
    return (norm(sight) - MOON_RADIUS_KM) / SPEED_OF_LIGHT_KM_S


def _minutes(table: Array, first: int) -> Iterator[tuple[Array, Array]]:
    minute_weights = weights(np.arange(MINUTES_PER_STEP) / MINUTES_PER_STEP).T
    steps = table.shape[1] - 5
    for at in range(0, steps, SCANNED_AT_ONCE):
        count = min(SCANNED_AT_ONCE, steps - at)
        minutes = np.arange(count * MINUTES_PER_STEP, dtype=np.float64)
        near = sliding_window_view(table[:, at : at + count + 5], 6, axis=1)
        yield (
            (first + 2 + at) * STEP_S + MINUTE_S * minutes,
            (near @ minute_weights).reshape(3, -1),
        )


class Course:
    """The course over home and one partner; partner None: our own echo."""

    def __init__(self, home: HomeCourse, partner: Site | None) -> None:
        """Solves the partner's rows: the wave left the far end a light time before the Moon."""
        self.from_utc_s, self.until_utc_s = home.from_utc_s, home.until_utc_s
        self._first = home.first
        self._own_echo = partner is None
        far = partner or home.site
        self._home_height_m, self._far_height_m = home.site.height_m, far.height_m
        self._table = home.table.copy()
        for piece in home.pieces:
            table, thin = self._table[:, piece.columns], piece.thin
            light_s = _sight(thin, piece.now_s, far, table, FAR_LOCAL, FAR_SIGHT)
            station = thin.station(piece.bounce_s - light_s, far.itrs_km())
            table[TURN] += apparent_turn(*station, *piece.moon_at_bounce, piece.turn_rad_s)

    def at(self, utc_s: ArrayLike) -> Sky:
        """Returns everything at instants (N,) inside the course."""
        utc = np.atleast_1d(np.asarray(utc_s, dtype=np.float64))
        rows = self._rows(slice(0, 18), utc)
        home = _view(rows[HOME_LOCAL], rows[HOME_SIGHT], self._home_height_m)
        far = home
        if not self._own_echo:
            far = _view(rows[FAR_LOCAL], rows[FAR_SIGHT], self._far_height_m)
        return Sky(utc, home, far, rows[MOON], spread_fraction(rows[TURN]))

    def spread_fraction(self, utc_s: Array) -> Array:
        """Returns the limb-to-limb spread alone, (N,), as a fraction of the frequency."""
        return spread_fraction(self._rows(TURN, utc_s))

    def local(self, utc_s: Array) -> tuple[Array, Array]:
        """Returns east, north and up components, km, (3, N), of the lines of sight from home and
        from the far end."""
        home = self._rows(HOME_LOCAL, utc_s)
        return home, home if self._own_echo else self._rows(FAR_LOCAL, utc_s)

    def minutes(self) -> Iterator[tuple[Array, Array]]:
        """Yields instants and the far end's lines of sight as `HomeCourse.minutes` does home's."""
        return _minutes(self._table[HOME_LOCAL if self._own_echo else FAR_LOCAL], self._first)

    def _rows(self, rows: slice, utc_s: Array) -> Array:
        index, u = neighbours(utc_s / STEP_S - self._first, self._table.shape[1])
        return np.asarray(np.einsum("vnk,nk->vn", self._table[rows][:, index], weights(u)))


def _view(local: Array, sight: Array, height_m: float) -> MoonFromEnd:
    return MoonFromEnd(
        azimuth_deg(local),
        elevation_deg(local, height_m),
        geometric_elevation_deg(local),
        norm(sight),
        sight,
    )


def elevation_deg(local: Array, height_m: float) -> Array:
    """Returns the apparent elevation (N,), with refraction, of lines of sight (3, N) by east, north
    and up from a station at a height."""
    return np.asarray(apparent_elevation_deg(geometric_elevation_deg(local), height_m))


def geometric_elevation_deg(local: Array) -> Array:
    """Returns the elevation (N,), without refraction, of lines of sight (3, N) by east, north and
    up."""
    return np.asarray(np.degrees(np.arctan2(local[2], np.hypot(local[0], local[1]))))


def azimuth_deg(local: Array) -> Array:
    """Returns the azimuth (N,) of lines of sight (3, N) by east, north and up."""
    return np.asarray(np.degrees(np.arctan2(local[0], local[1])) % 360.0)
