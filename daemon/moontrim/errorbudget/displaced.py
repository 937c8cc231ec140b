"""The exact path for many slightly different stations at one instant, solved together.

The same light-time solution as in `path.exact`, vectorised over places instead of instants, and
without what an error budget does not need. Around the instant the Earth's rotation and the Moon are
taken as short polynomials, exact to rounding."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from moontrim.path.chebyshev import VectorCurve, fit_matrix, nodes
from moontrim.path.constants import SPEED_OF_LIGHT_M_S
from moontrim.path.delay import MIDDLE, STENCIL, Bounce, curvature, slope, solve
from moontrim.path.ephemeris import BLOCK_MARGIN_S, Ephemeris
from moontrim.path.exact import fractions
from moontrim.path.site import Site
from moontrim.path.troposphere import slant_over, weather_share
from moontrim.path.vectors import Array, dot, norm

# Earth's rotation per second of UT1 (IERS Conventions 2010, eq. 5.15).
EARTH_ANGLE_DEG_PER_S = 360.0 * 1.00273781191135448 / 86400.0

# Room around the instant for the stencil (80 s), the light time (2.6 s) and the rest of a second.
ROOM_S = 85.0
# Largest late_s: what the ephemeris' blocks reach beyond their ends, less that room.
MOST_LATE_S = BLOCK_MARGIN_S - ROOM_S - 5.0
# The Earth turns by 0.03 rad in the longest window: the eighth term is below 1e-17.
TERMS = 8


@dataclass(frozen=True)
class DisplacedFractions:
    """Received / sent frequency - 1 of each leg for N sets of stations; every field (N,).

    home_to_moon, moon_to_home, partner_to_home, home_to_partner: legs as in `path.exact`, with the
    troposphere.
    home_air, partner_air: the troposphere's part of one passage at each end, 0 when it is off.
    home_weather, partner_weather: one sigma of what the weather changes of it."""

    home_to_moon: Array
    moon_to_home: Array
    partner_to_home: Array
    home_to_partner: Array
    home_air: Array
    partner_air: Array
    home_weather: Array
    partner_weather: Array


def turned(site: Site, by_s: float) -> Site:
    """Returns the site as displaced by the Earth's extra rotation in by_s seconds of UT1."""
    return replace(site, longitude_deg=site.longitude_deg + by_s * EARTH_ANGLE_DEG_PER_S)


def displaced_fractions(
    ephemeris: Ephemeris,
    homes: Sequence[Site],
    partners: Sequence[Site] | None,
    utc_s: float,
    late_s: ArrayLike = 0.0,
    troposphere: bool = True,
) -> DisplacedFractions:
    """Solves the path for each pair of homes and partners at home's POSIX seconds utc_s + late_s.
    Agrees with `solve_path` to its rounding.

    homes, partners: N sites each; partners None: each home's own echo.
    late_s: a number or (N,), at most MOST_LATE_S either way, else ValueError.

    Raises CoverageError outside the tables."""
    late = np.broadcast_to(np.asarray(late_s, dtype=np.float64), (len(homes),))
    if np.max(np.abs(late), initial=0.0) > MOST_LATE_S:
        raise ValueError(f"late_s may be up to {MOST_LATE_S} s either way")
    tai_s, rest_s = ephemeris.split(np.array([utc_s]))
    half_s = ROOM_S + float(np.max(np.abs(late), initial=0.0))
    window_s = (nodes(TERMS) * half_s)[:, np.newaxis]
    when_s = rest_s + late + STENCIL

    def short(track: VectorCurve) -> Array:
        """Returns coefficients (TERMS, 3) of a curve around the instant."""
        return np.asarray(fit_matrix(TERMS) @ track(window_s)[:, :, 0].T)

    def placed(vectors: Array) -> VectorCurve:
        """Returns the curve in GCRS of Earth-fixed vectors (3, N)."""
        return VectorCurve((turning @ vectors)[:, :, np.newaxis, :], np.zeros(len(homes)), half_s)

    axes = [short(ephemeris.earth_fixed_track(axis, tai_s)) for axis in np.eye(3)]
    turning = np.stack(axes, axis=2)
    moon = VectorCurve(
        short(ephemeris.moon_track(tai_s))[:, :, np.newaxis, np.newaxis], np.zeros(1), half_s
    )
    home_track = placed(_itrs_km(homes))
    far_track = home_track if partners is None else placed(_itrs_km(partners))
    inbound = solve(far_track, moon, home_track, when_s, arriving=True)
    outbound = solve(home_track, moon, far_track, when_s, arriving=False)

    far = homes if partners is None else partners
    slants = {site: slant_over(site) for site in {*homes, *far} if troposphere}

    def air(sites: Sequence[Site], place: VectorCurve, at_s: Array) -> tuple[Array, Array]:
        """Returns the troposphere's part of a passage, and one sigma of the weather's."""
        if not troposphere:
            return np.zeros(len(sites)), np.zeros(len(sites))
        sight = moon(at_s) - place(at_s)
        up = placed(np.stack([site.up() for site in sites], axis=1))
        sine = dot(sight, up(at_s)) / norm(sight)
        sines = sine[MIDDLE].tolist()
        by_sine = [slants[site].delay_m(s)[1] for site, s in zip(sites, sines, strict=True)]
        share = [
            weather_share(s, site.height_m / 1000.0) for site, s in zip(sites, sines, strict=True)
        ]
        fraction = -np.array(by_sine) * slope(sine) / SPEED_OF_LIGHT_M_S
        return fraction, np.abs(fraction) * np.array(share)

    home_air, home_weather = air(homes, home_track, when_s)
    partner_air, partner_weather = air(far, far_track, inbound.leaves_s)

    def fraction(delay_s: Array, arriving: bool) -> Array:
        return fractions(slope(delay_s), curvature(delay_s), arriving)[0]

    def whole_s(bounce: Bounce) -> Array:
        return bounce.to_point_s + bounce.from_point_s

    return DisplacedFractions(
        home_to_moon=fraction(outbound.to_point_s, False) + home_air,
        moon_to_home=fraction(inbound.from_point_s, True) + home_air,
        partner_to_home=fraction(whole_s(inbound), True) + home_air + partner_air,
        home_to_partner=fraction(whole_s(outbound), False)
        + home_air
        + air(far, far_track, outbound.arrives_s)[0],
        home_air=home_air,
        partner_air=partner_air,
        home_weather=home_weather,
        partner_weather=partner_weather,
    )


def _itrs_km(sites: Sequence[Site]) -> Array:
    """Returns Earth-fixed positions, km, (3, N)."""
    return np.stack([site.itrs_km() for site in sites], axis=1)
