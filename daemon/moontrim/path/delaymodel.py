"""The delay model of a running daemon: the exact path fitted for an hour, evaluated in
microseconds.

    |<------- one hour of UTC ------->|
    |  .  .   .    .    .    .   .  . |     NODES Chebyshev nodes, a little beyond the hour
    -1 ------------- x ------------- +1     x: the hour, as the argument of the polynomials

At the nodes `path.delay` solves the path exactly. Through the values run polynomials for the five
vacuum delays and for the Moon's direction at both ends; at degree 8 they are exact to rounding. The
frequency follows from a delay's slope, its rate from the curvature, so each polynomial is kept with
its derivatives. The troposphere is not fitted, since its slope bends sharply below the horizon: it
is computed from the fitted elevation of each end, at the instant when the wave passes there.

Evaluation is plain Python on floats, because numpy's overhead would outweigh the arithmetic. One
model must not be used by several threads at once."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.polynomial import chebyshev

from moontrim.path.chebyshev import fit_matrix, nodes
from moontrim.path.constants import SPEED_OF_LIGHT_M_S
from moontrim.path.delay import solve
from moontrim.path.ephemeris import Ephemeris
from moontrim.path.exact import ARRIVING, LegName
from moontrim.path.refraction import apparent_elevation_deg
from moontrim.path.site import Site
from moontrim.path.troposphere import Slant, slant_over
from moontrim.path.vectors import Array, dot, norm

# Length of a piece: whole hours of UTC, so that a leap second falls between two pieces.
PIECE_S = 3600
# Half of a piece and 10 s: the far end's troposphere is evaluated up to 3 s away.
HALF_WIDTH_S = 1810.0
# Degree 8, as written out at the end: diurnal motion turns by 0.13 rad in half a piece, so the next
# term is below 1e-17 s of a delay and 1e-16 of a direction cosine.
NODES = 9
# How far before an instant the model is prepared: room for questions about what has just passed.
LOOK_BACK_S = 10.0
# Chosen: bounds the memory when instants are far apart; `prepare` leaves two at most.
PIECES_KEPT = 6

# Of a polynomial: coefficients of powers of x, highest first.
Coefficients = tuple[float, float, float, float, float, float, float, float, float]
# Of a polynomial and its first two derivatives by seconds: 9 + 8 + 7 coefficients in a row.
DerivativeCoefficients = tuple[float, ...]


class LegNow(NamedTuple):
    """One leg at an instant; meaning and signs as in `exact.Leg`."""

    fraction: float
    fraction_rate_per_s: float
    delay_s: float
    troposphere_fraction: float


class MoonNow(NamedTuple):
    """Direction of the Moon's centre at an instant, apparent as from `moondirection.moon_from`; the
    partner's is home's for an echo."""

    azimuth_deg: float
    elevation_deg: float
    partner_elevation_deg: float


class _Piece(NamedTuple):
    """One fitted hour.

    home_east, home_north, home_up, partner_up: components of the unit vector from a station to the
    Moon; up is the sine of the elevation."""

    middle_utc_s: float
    delays: dict[LegName, DerivativeCoefficients]
    home_east: Coefficients
    home_north: Coefficients
    home_up: DerivativeCoefficients
    partner_up: DerivativeCoefficients
    home_air: Slant
    partner_air: Slant


class DelayModel:
    """The fast path of one pair of stations (partner None: home's own echo).

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
        self._prepared = (math.inf, -math.inf)  # from when to when all pieces are fitted

    def prepare(self, utc_s: float, ahead_s: float = 600.0) -> None:
        """Fits the pieces from LOOK_BACK_S before utc_s to ahead_s after it, as far as the tables
        go, and drops the others. Takes milliseconds a piece, and no time if nothing is missing."""
        if self._prepared[0] <= utc_s and utc_s + ahead_s < self._prepared[1]:
            return
        self._ephemeris.require(utc_s)
        end_utc_s = min(utc_s + ahead_s, self._ephemeris.last_utc_s)
        start_utc_s = max(utc_s - LOOK_BACK_S, self._ephemeris.first_utc_s)
        wanted = range(int(start_utc_s // PIECE_S), int(end_utc_s // PIECE_S) + 1)
        if self._pieces.keys() != set(wanted):
            self._pieces = {key: self._pieces.get(key) or self._fit(key) for key in wanted}
        self._prepared = (utc_s, wanted.stop * PIECE_S)

    def leg(self, name: LegName, utc_s: float) -> LegNow:
        """Returns one leg, troposphere included."""
        piece, x = self._find(utc_s)
        delay_s, slope, curvature = _evaluate_with_derivatives(piece.delays[name], x)
        air_s = air_slope = air_curvature = 0.0
        if self._troposphere:
            air_s, air_slope, air_curvature = _excess(piece.home_air, piece.home_up, x, 1.0)
        if self._troposphere and name not in ("home_to_moon", "moon_to_home"):
            at_home = name == "home_to_home"
            air = piece.home_air if at_home else piece.partner_air
            up = piece.home_up if at_home else piece.partner_up
            sense = -1.0 if ARRIVING[name] else 1.0
            far = _excess(air, up, x + sense * delay_s / HALF_WIDTH_S, 1.0 + sense * slope)
            air_s += far[0]
            air_slope += far[1]
            air_curvature += far[2]
        # As in `exact.fractions`, on floats.
        stretch = 1.0 if ARRIVING[name] else 1.0 + slope
        return LegNow(
            -slope / stretch - air_slope,
            -curvature / (stretch * stretch) - air_curvature,
            delay_s + air_s,
            -air_slope,
        )

    def moon(self, utc_s: float) -> MoonNow:
        """Returns the direction of the Moon's centre."""
        piece, x = self._find(utc_s)
        east, north = _evaluate(piece.home_east, x), _evaluate(piece.home_north, x)
        up, _, _ = _evaluate_with_derivatives(piece.home_up, x)
        sine, _, _ = _evaluate_with_derivatives(piece.partner_up, x)
        # Rounding may carry a sine a little beyond 1 at the zenith.
        sine = max(min(sine, 1.0), -1.0)
        far_site = self._partner or self._home
        return MoonNow(
            math.degrees(math.atan2(east, north)) % 360.0,
            apparent_elevation_deg(
                math.degrees(math.atan2(up, math.hypot(east, north))), self._home.height_m
            ),
            apparent_elevation_deg(math.degrees(math.asin(sine)), far_site.height_m),
        )

    def _find(self, utc_s: float) -> tuple[_Piece, float]:
        """Returns the piece that holds an instant, fitted if it is missing, and x in it."""
        # NaN and infinities have no piece: the range check raises.
        key = int(utc_s // PIECE_S) if math.isfinite(utc_s) else 0
        piece = self._pieces.get(key)
        if piece is None or not self._ephemeris.first_utc_s <= utc_s <= self._ephemeris.last_utc_s:
            self._ephemeris.require(utc_s)
            piece = self._fit(key)
            self._pieces[key] = piece
            while len(self._pieces) > PIECES_KEPT:
                del self._pieces[max(self._pieces, key=lambda other: abs(other - key))]
        return piece, (utc_s - piece.middle_utc_s) / HALF_WIDTH_S

    def _fit(self, key: int) -> _Piece:
        """Fits the hour that begins at key * PIECE_S."""
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
            "home_to_moon": outbound.to_point_s,
            "moon_to_home": inbound.from_point_s,
            "home_to_home": echo.to_point_s + echo.from_point_s,
            "partner_to_home": inbound.to_point_s + inbound.from_point_s,
            "home_to_partner": outbound.to_point_s + outbound.from_point_s,
        }
        moon_km = moon(when_s)
        sight, far_sight = moon_km - home(when_s), moon_km - far(when_s)

        def component(axis: Array, of: Array) -> Array:
            """Returns the component of vectors' directions along an Earth-fixed axis."""
            towards = self._ephemeris.earth_fixed_track(axis, tai_s)(when_s)
            return np.asarray(dot(of, towards) / norm(of))

        home_east, home_north, home_up = (
            component(axis, sight)
            for axis in (self._home.east(), self._home.north(), self._home.up())
        )
        far_up = component(far_site.up(), far_sight)
        return _Piece(
            float(middle),
            {name: _with_derivatives(values) for name, values in delays.items()},
            _coefficients(home_east),
            _coefficients(home_north),
            _with_derivatives(home_up),
            _with_derivatives(far_up),
            slant_over(self._home),
            slant_over(far_site),
        )


_FIT = fit_matrix(NODES)
# Column n: Chebyshev polynomial n as coefficients of powers, lowest first.
_POWERS_OF_CHEBYSHEV = np.array(
    [
        np.pad(chebyshev.cheb2poly(row[: n + 1]), (0, NODES - n - 1))
        for n, row in enumerate(np.eye(NODES))
    ]
).T


def _powers(values: Array) -> Array:
    """Returns coefficients of powers of x, lowest first, from values (NODES, 1) at the nodes: all
    NODES of them even where the last are 0. Powers of x in [-1, 1] lose no digits at degree 8."""
    return np.asarray(_POWERS_OF_CHEBYSHEV @ (_FIT @ values[:, 0]))


def _coefficients(values: Array) -> Coefficients:
    a, b, c, d, e, f, g, h, i = _powers(values)[::-1].tolist()
    return a, b, c, d, e, f, g, h, i


def _with_derivatives(values: Array) -> DerivativeCoefficients:
    power = _powers(values)
    slope = power[1:] * np.arange(1, NODES) / HALF_WIDTH_S
    curvature = slope[1:] * np.arange(1, NODES - 1) / HALF_WIDTH_S
    return tuple(np.concatenate([part[::-1] for part in (power, slope, curvature)]).tolist())


# Horner's scheme, written out: three times as fast in Python as a loop.
def _evaluate(coefficients: Coefficients, x: float) -> float:
    a, b, c, d, e, f, g, h, i = coefficients
    return (((((((a * x + b) * x + c) * x + d) * x + e) * x + f) * x + g) * x + h) * x + i


def _evaluate_with_derivatives(
    coefficients: DerivativeCoefficients, x: float
) -> tuple[float, float, float]:
    a, b, c, d, e, f, g, h, i, j, k, m, n, o, p, q, r, s, t, u, v, w, y, z = coefficients
    return (
        (((((((a * x + b) * x + c) * x + d) * x + e) * x + f) * x + g) * x + h) * x + i,
        ((((((j * x + k) * x + m) * x + n) * x + o) * x + p) * x + q) * x + r,
        (((((s * x + t) * x + u) * x + v) * x + w) * x + y) * x + z,
    )


def _excess(
    air: Slant, up: DerivativeCoefficients, x: float, stretch: float
) -> tuple[float, float, float]:
    """Returns the troposphere's delay over one station, seconds, with its first two derivatives by
    home's time.

    x: the instant when the wave passes the station. stretch: seconds of that instant per second of
    home's time."""
    sine, first, second = _evaluate_with_derivatives(up, x)
    first *= stretch
    value, by_sine, by_sine2 = air.delay_m(sine)
    return (
        value / SPEED_OF_LIGHT_M_S,
        by_sine * first / SPEED_OF_LIGHT_M_S,
        (by_sine2 * first * first + by_sine * second) / SPEED_OF_LIGHT_M_S,
    )
