"""The exact solution: every leg of a path at any instants, with Doppler, troposphere and spread.

Combines delay, troposphere and libration. Frequencies enter only as fractions, to be multiplied by
Hz.

    leg              from      to        utc_s is
    home_to_moon     home      Moon      departure from home
    moon_to_home     Moon      home      arrival at home
    home_to_home     home      home      arrival at home
    partner_to_home  partner   home      arrival at home
    home_to_partner  home      partner   departure from home"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from moontrim.path.chebyshev import VectorCurve
from moontrim.path.constants import SPEED_OF_LIGHT_M_S
from moontrim.path.delay import MIDDLE, STENCIL, Bounce, curvature, slope, solve
from moontrim.path.ephemeris import Ephemeris
from moontrim.path.libration import apparent_turn, rotation_rad_per_s, spread_fraction
from moontrim.path.moondirection import Look, moon_from
from moontrim.path.site import Site
from moontrim.path.troposphere import Slant, slant_over
from moontrim.path.vectors import Array, dot, norm

LegName = Literal[
    "home_to_moon", "moon_to_home", "home_to_home", "partner_to_home", "home_to_partner"
]
LEGS: tuple[LegName, ...] = get_args(LegName)
# Whether a leg's instants are those of its arrival at home, not of its departure from there.
ARRIVING: dict[LegName, bool] = {name: name.endswith("_to_home") for name in LEGS}
# Instants solved at once: bounds the memory of a long series.
CHUNK = 4096


@dataclass(frozen=True)
class Leg:
    """One leg at instants; every field an array of their shape. Multiply fractions by Hz.

    delay_s: light time, troposphere included.
    fraction: received / sent frequency - 1, positive when the wave arrives higher; troposphere
    included.
    fraction_rate_per_s: change of `fraction` per second of home time.
    troposphere_delay_s, troposphere_fraction, troposphere_rate_per_s: the troposphere's part of the
    three above; 0 when it is off, fading out below -0.7 degrees geometric elevation.
    spread_fraction: limb-to-limb Doppler spread."""

    delay_s: Array
    fraction: Array
    fraction_rate_per_s: Array
    troposphere_delay_s: Array
    troposphere_fraction: Array
    troposphere_rate_per_s: Array
    spread_fraction: Array


@dataclass(frozen=True)
class PathSolution:
    """A path at instants: the Moon's direction from both ends at home time (the partner's is home's
    for an echo) and the five LEGS."""

    home_look: Look
    partner_look: Look
    legs: dict[LegName, Leg]


@dataclass(frozen=True)
class _Station:
    """A site's position, outward normal and atmosphere for the base instants."""

    place: VectorCurve
    up: VectorCurve
    slant: Slant | None


def solve_path(
    ephemeris: Ephemeris,
    home: Site,
    partner: Site | None,
    utc_s: ArrayLike,
    troposphere: bool = True,
) -> PathSolution:
    """Solves all legs at POSIX seconds utc_s (any shape; home's time, see the table above).

    partner: None means the station's own echo: partner_to_home is then home_to_home, and
    home_to_partner the echo of what leaves at utc_s.
    troposphere: whether to include it.

    home_to_moon ends at the reflection point of home_to_partner's path, moon_to_home starts at that
    of partner_to_home's; the point's own travel over the sphere is part of both, so that the two
    legs multiply to the whole. Raises CoverageError outside the tables."""
    utc = np.asarray(utc_s, dtype=np.float64)
    flat = utc.reshape(-1)
    chunks = [
        _solve_chunk(ephemeris, home, partner, flat[at : at + CHUNK], troposphere)
        for at in range(0, max(flat.size, 1), CHUNK)
    ]
    legs = {
        name: Leg(
            *(
                np.concatenate([getattr(chunk[name], field.name) for chunk in chunks]).reshape(
                    utc.shape
                )
                for field in fields(Leg)
            )
        )
        for name in LEGS
    }
    home_look = moon_from(ephemeris, home, utc)
    partner_look = home_look if partner is None else moon_from(ephemeris, partner, utc)
    return PathSolution(home_look, partner_look, legs)


def _solve_chunk(
    ephemeris: Ephemeris, home: Site, partner: Site | None, utc_s: Array, troposphere: bool
) -> dict[LegName, Leg]:
    tai_s, rest_s = ephemeris.split(utc_s)
    when_s = rest_s + STENCIL
    moon = ephemeris.moon_track(tai_s)

    def station(site: Site) -> _Station:
        return _Station(
            ephemeris.earth_fixed_track(site.itrs_km(), tai_s),
            ephemeris.earth_fixed_track(site.up(), tai_s),
            slant_over(site) if troposphere else None,
        )

    home_end = station(home)
    far_end = home_end if partner is None else station(partner)
    echo = solve(home_end.place, moon, home_end.place, when_s, arriving=True)
    inbound = (
        echo
        if partner is None
        else solve(far_end.place, moon, home_end.place, when_s, arriving=True)
    )
    outbound = solve(home_end.place, moon, far_end.place, when_s, arriving=False)

    at_home = _excess(home_end, moon, when_s)
    turn = rotation_rad_per_s(ephemeris.days_since_j2000(tai_s))

    def gradient(end: _Station, at_s: Array, bounce: Bounce) -> Array:
        moment, middle = bounce.bounces_s[MIDDLE][np.newaxis], at_s[MIDDLE][np.newaxis]
        return apparent_turn(
            end.place(middle)[:, 0],
            end.place.rate()(middle)[:, 0],
            moon(moment)[:, 0],
            moon.rate()(moment)[:, 0],
            turn,
        )

    def whole(bounce: Bounce, far: _Station, far_s: Array, name: LegName) -> Leg:
        excess = at_home + _excess(far, moon, far_s)
        spread = spread_fraction(gradient(home_end, when_s, bounce), gradient(far, far_s, bounce))
        return _leg(bounce.to_point_s + bounce.from_point_s, excess, spread, name)

    partner_to_home = whole(inbound, far_end, inbound.leaves_s, "partner_to_home")
    return {
        "home_to_moon": _leg(
            outbound.to_point_s,
            at_home,
            spread_fraction(gradient(home_end, when_s, outbound)),
            "home_to_moon",
        ),
        "moon_to_home": _leg(
            inbound.from_point_s,
            at_home,
            spread_fraction(gradient(home_end, when_s, inbound)),
            "moon_to_home",
        ),
        "home_to_home": partner_to_home
        if partner is None
        else whole(echo, home_end, echo.leaves_s, "home_to_home"),
        "partner_to_home": partner_to_home,
        "home_to_partner": whole(outbound, far_end, outbound.arrives_s, "home_to_partner"),
    }


def _excess(end: _Station, moon: VectorCurve, at_s: Array) -> Array:
    """Returns the troposphere's delay at one end, seconds, with its first two time derivatives,
    (3, N), at that end's own instants at_s (5, N)."""
    if end.slant is None:
        return np.zeros((3, at_s.shape[1]))
    sight = moon(at_s) - end.place(at_s)
    sine = dot(sight, end.up(at_s)) / norm(sight)
    middle, first, second = sine[MIDDLE], slope(sine), curvature(sine)
    value, by_sine, by_sine2 = end.slant.delay_m(middle)
    excess_m = np.stack([value, by_sine * first, by_sine2 * first**2 + by_sine * second])
    return np.asarray(excess_m / SPEED_OF_LIGHT_M_S)


def _leg(vacuum_s: Array, excess: Array, spread: Array, name: LegName) -> Leg:
    """Returns a leg from vacuum delays (5, N) and the troposphere's delay with its derivatives
    (3, N)."""
    vacuum, vacuum_rate = fractions(slope(vacuum_s), curvature(vacuum_s), ARRIVING[name])
    # The troposphere's slope is 1e-10: multiplying it by 1 + 1e-6 changes nothing that matters.
    return Leg(
        delay_s=vacuum_s[MIDDLE] + excess[0],
        fraction=vacuum - excess[1],
        fraction_rate_per_s=vacuum_rate - excess[2],
        troposphere_delay_s=excess[0],
        troposphere_fraction=-excess[1],
        troposphere_rate_per_s=-excess[2],
        spread_fraction=spread,
    )


def fractions(delay_slope: Array, delay_curvature: Array, arriving: bool) -> tuple[Array, Array]:
    """Returns received / sent frequency - 1 and its rate per second, from the first two derivatives
    of a delay T: the ratio is 1 - T' with T as a function of arrival time, 1 / (1 + T') with T as a
    function of departure time."""
    if arriving:
        return -delay_slope, -delay_curvature
    stretch = 1.0 + delay_slope
    return -delay_slope / stretch, -delay_curvature / stretch**2
