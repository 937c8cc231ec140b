"""The delay model of a running daemon: the exact path fitted once an hour, read in microseconds.

Pieces of one hour of UTC: polynomials of the five vacuum delays and of the Moon's direction at both
ends. The troposphere is not fitted (its slope has a sharp bend at the horizon): it is computed from
the fitted elevation. Evaluation is plain Python on floats. Not for several threads at once."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.polynomial import chebyshev

from moontrim.path.chebyshev import VectorCurve, fit_matrix, nodes
from moontrim.path.constants import SPEED_OF_LIGHT_M_S
from moontrim.path.delay import solve
from moontrim.path.ephemeris import Ephemeris
from moontrim.path.exact import ARRIVING, LEGS, LegName
from moontrim.path.site import Site
from moontrim.path.troposphere import Slant, day_of_year, slant_over
from moontrim.path.vectors import Array, dot, norm

PIECE_S = 3600
# Fitted a little beyond the hour: the far end's troposphere is asked for up to 3 s away.
HALF_WIDTH_S = 1810.0
# Degree 8, as _value and _jet_at are written for: diurnal motion turns 0.13 rad in half a piece, so
# the next term is below 1e-17 s of a delay and 1e-16 of a direction cosine.
NODES = 9
LOOK_BACK_S = 10.0
PIECES_KEPT = 6

# Coefficients of powers of x, highest first; and those of value, slope and curvature by seconds in
# a row.
Poly = tuple[float, float, float, float, float, float, float, float, float]
Jet = tuple[float, ...]
_NO_EXCESS = (0.0, 0.0, 0.0)


class LegNow(NamedTuple):
    """One leg at an instant; meaning and signs as in exact.Leg."""

    fraction: float
    fraction_rate_per_s: float
    delay_s: float
    troposphere_fraction: float


class MoonNow(NamedTuple):
    """Direction of the Moon's centre at an instant, in degrees, geometric as in
    moondirection.moon_from; the partner's is home's for an echo."""

    azimuth_deg: float
    elevation_deg: float
    partner_elevation_deg: float


class PathNow(NamedTuple):
    """All legs and both looks at an instant."""

    utc_s: float
    legs: dict[LegName, LegNow]
    azimuth_deg: float
    elevation_deg: float
    partner_elevation_deg: float


class _Piece(NamedTuple):
    middle_utc_s: float
    delays: dict[LegName, Jet]
    home_look: tuple[Poly, Poly, Poly]
    partner_sine: Poly
    home_up: Jet
    partner_up: Jet
    home_air: Slant
    partner_air: Slant


class DelayModel:
    """Fast path for one pair of stations (partner None: one's own echo).

    Within 1e-4 Hz of `solve_path` at 10.368 GHz. Every method takes POSIX seconds of home's time
    and raises CoverageError outside the tables."""

    def __init__(
        self, ephemeris: Ephemeris, home: Site, partner: Site | None, troposphere: bool = True
    ) -> None:
        self._ephemeris = ephemeris
        self._home = home
        self._partner = partner
        self._troposphere = troposphere
        self._pieces: dict[int, _Piece] = {}
        self._prepared = (math.inf, -math.inf)  # from when to when there is nothing to fit

    def prepare(self, utc_s: float, ahead_s: float = 600.0) -> None:
        """Fit what the time from 10 s before utc_s to ahead_s after it needs (as far as the tables
        go) and forget the rest. Nothing to fit: nothing to do; a piece: milliseconds."""
        if self._prepared[0] <= utc_s and utc_s + ahead_s < self._prepared[1]:
            return
        self._ephemeris.require(utc_s)
        end_utc_s = min(utc_s + ahead_s, self._ephemeris.last_utc_s)
        start_utc_s = max(utc_s - LOOK_BACK_S, self._ephemeris.first_utc_s)
        wanted = range(int(start_utc_s // PIECE_S), int(end_utc_s // PIECE_S) + 1)
        if self._pieces.keys() != set(wanted):
            self._pieces = {key: self._pieces.get(key) or self._fit(key) for key in wanted}
        self._prepared = (utc_s, wanted.stop * PIECE_S)

    def leg(self, name: LegName, utc_s: float) -> tuple[float, float]:
        """fraction and fraction_rate_per_s of one leg, troposphere included."""
        piece, x = self._find(utc_s)
        return self._leg(piece, name, x, self._home_excess(piece, x))[:2]

    def moon(self, utc_s: float) -> MoonNow:
        """Where the Moon's centre is."""
        piece, x = self._find(utc_s)
        east, north, up = (_value(poly, x) for poly in piece.home_look)
        # Rounding may carry a sine a hair beyond 1 at the zenith.
        sine = max(min(_value(piece.partner_sine, x), 1.0), -1.0)
        return MoonNow(
            math.degrees(math.atan2(east, north)) % 360.0,
            math.degrees(math.atan2(up, math.hypot(east, north))),
            math.degrees(math.asin(sine)),
        )

    def at(self, utc_s: float) -> PathNow:
        """Everything at once."""
        piece, x = self._find(utc_s)
        home_excess = self._home_excess(piece, x)
        if self._partner is None:
            echo = self._leg(piece, "echo", x, home_excess)
            legs = {"echo": echo, "from_partner": echo}
        else:
            legs = {}
        result: dict[LegName, LegNow] = {
            name: legs.get(name) or self._leg(piece, name, x, home_excess) for name in LEGS
        }
        return PathNow(utc_s, result, *self.moon(utc_s))

    def _find(self, utc_s: float) -> tuple[_Piece, float]:
        # NaN and infinities have no piece; let the range check say so.
        key = int(utc_s // PIECE_S) if math.isfinite(utc_s) else 0
        piece = self._pieces.get(key)
        if piece is None or not self._ephemeris.first_utc_s <= utc_s <= self._ephemeris.last_utc_s:
            self._ephemeris.require(utc_s)
            piece = self._fit(key)
            self._pieces[key] = piece
            while len(self._pieces) > PIECES_KEPT:
                del self._pieces[max(self._pieces, key=lambda other: abs(other - key))]
        return piece, (utc_s - piece.middle_utc_s) / HALF_WIDTH_S

    def _home_excess(self, piece: _Piece, x: float) -> tuple[float, float, float]:
        if not self._troposphere:
            return _NO_EXCESS
        return _excess(piece.home_air, piece.home_up, x, 1.0)

    def _leg(
        self, piece: _Piece, name: LegName, x: float, home_excess: tuple[float, float, float]
    ) -> LegNow:
        delay, slope, curvature = _jet_at(piece.delays[name], x)
        extra, extra_slope, extra_curvature = home_excess
        if self._troposphere and name not in ("to_moon", "from_moon"):
            at_home = name == "echo"
            air = piece.home_air if at_home else piece.partner_air
            up = piece.home_up if at_home else piece.partner_up
            sense = -1.0 if ARRIVING[name] else 1.0
            far = _excess(air, up, x + sense * delay / HALF_WIDTH_S, 1.0 + sense * slope)
            extra += far[0]
            extra_slope += far[1]
            extra_curvature += far[2]
        # As exact.solve_path computes it, on floats.
        stretch = 1.0 if ARRIVING[name] else 1.0 + slope
        return LegNow(
            -slope / stretch - extra_slope,
            -curvature / (stretch * stretch) - extra_curvature,
            delay + extra,
            -extra_slope,
        )

    def _fit(self, key: int) -> _Piece:
        start_utc_s = key * PIECE_S
        middle = start_utc_s + PIECE_S // 2
        tai_s = np.array([middle + self._ephemeris.tai_minus_utc_s(start_utc_s)])
        when_s = (nodes(NODES) * HALF_WIDTH_S)[:, np.newaxis]
        moon = self._ephemeris.moon_track(tai_s)
        home = self._ephemeris.earth_fixed_track(self._home.itrs_km(), tai_s)
        far_site = self._partner or self._home
        far = self._ephemeris.earth_fixed_track(far_site.itrs_km(), tai_s)
        echo = solve(home, moon, home, when_s, arriving=True)
        inbound = echo if self._partner is None else solve(far, moon, home, when_s, arriving=True)
        outbound = solve(home, moon, far, when_s, arriving=False)
        delays: dict[LegName, Array] = {
            "to_moon": outbound.to_point_s,
            "from_moon": inbound.from_point_s,
            "echo": echo.to_point_s + echo.from_point_s,
            "from_partner": inbound.to_point_s + inbound.from_point_s,
            "to_partner": outbound.to_point_s + outbound.from_point_s,
        }
        moon_km = moon(when_s)
        sight, far_sight = moon_km - home(when_s), moon_km - far(when_s)

        def component(axis: Array, of: Array) -> Array:
            towards: VectorCurve = self._ephemeris.earth_fixed_track(axis, tai_s)
            return np.asarray(dot(of, towards(when_s)) / norm(of))

        home_east, home_north, home_up = (
            component(axis, sight)
            for axis in (self._home.east(), self._home.north(), self._home.up())
        )
        far_up = component(far_site.up(), far_sight)
        season = day_of_year(middle)
        return _Piece(
            float(middle),
            {name: _jet(values) for name, values in delays.items()},
            (_poly(home_east), _poly(home_north), _poly(home_up)),
            _poly(far_up),
            _jet(home_up),
            _jet(far_up),
            _plain(slant_over(self._home, season)),
            _plain(slant_over(far_site, season)),
        )


_FIT = fit_matrix(NODES)
_POWERS_OF_CHEBYSHEV = np.array(
    [
        np.pad(chebyshev.cheb2poly(row[: n + 1]), (0, NODES - n - 1))
        for n, row in enumerate(np.eye(NODES))
    ]
).T


def _jet(values: Array) -> Jet:
    """From values (NODES, 1) at the nodes. Powers of x in [-1, 1] lose nothing at this degree."""
    power = _powers(values)
    slope = power[1:] * np.arange(1, NODES) / HALF_WIDTH_S
    curvature = slope[1:] * np.arange(1, NODES - 1) / HALF_WIDTH_S
    return tuple(np.concatenate([part[::-1] for part in (power, slope, curvature)]).tolist())


def _poly(values: Array) -> Poly:
    a, b, c, d, e, f, g, h, i = _powers(values)[::-1].tolist()
    return a, b, c, d, e, f, g, h, i


def _powers(values: Array) -> Array:
    """Coefficients of powers of x, lowest first, all NODES of them even where the last are 0."""
    return np.asarray(_POWERS_OF_CHEBYSHEV @ (_FIT @ values[:, 0]))


def _plain(slant: Slant) -> Slant:
    a, b, c = slant.hydrostatic
    return replace(slant, hydrostatic=(float(a), float(b), float(c)))


# Horner's scheme, written out: three times as fast in Python as a loop.
def _value(poly: Poly, x: float) -> float:
    a, b, c, d, e, f, g, h, i = poly
    return (((((((a * x + b) * x + c) * x + d) * x + e) * x + f) * x + g) * x + h) * x + i


def _jet_at(jet: Jet, x: float) -> tuple[float, float, float]:
    a, b, c, d, e, f, g, h, i, j, k, m, n, o, p, q, r, s, t, u, v, w, y, z = jet
    return (
        (((((((a * x + b) * x + c) * x + d) * x + e) * x + f) * x + g) * x + h) * x + i,
        ((((((j * x + k) * x + m) * x + n) * x + o) * x + p) * x + q) * x + r,
        (((((s * x + t) * x + u) * x + v) * x + w) * x + y) * x + z,
    )


def _excess(air: Slant, up: Jet, x: float, stretch: float) -> tuple[float, float, float]:
    """Troposphere in seconds, its slope and second derivative by home time, at x of the station's
    time, which runs at `stretch` seconds per second of home's."""
    sine, first, second = _jet_at(up, x)
    first *= stretch
    value, by_sine, by_sine2 = air.delay_m(sine)
    return (
        value / SPEED_OF_LIGHT_M_S,
        by_sine * first / SPEED_OF_LIGHT_M_S,
        (by_sine2 * first * first + by_sine * second) / SPEED_OF_LIGHT_M_S,
    )
