"""Light time over the two legs of a path, solved to rounding, in the geocentric frame (GCRS).

The wave bounces where the way over the Moon's sphere is shortest. By Fermat's principle the normal
there halves the angle between the two rays:

    sender   - .
                 ` - .
    normal  - - - - - - * reflection point, MOON_RADIUS_KM from the Moon's centre
                 . - '
    receiver - '

Both unknowns, the light times and the normal, are found by fixed-point rounds in one loop: a round
leaves at most v/c = 4e-6 of the light time's error and, since it takes the bisector from the
present point, 1737 km / 360000 km = 1/200 of the normal's.

Vacuum only, no troposphere. Space is taken as flat and the geocentric frame as inertial; against
the barycentric frame this changes the two-way Doppler by less than 0.001 Hz at 10 GHz."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from moontrim.path.chebyshev import VectorCurve
from moontrim.path.constants import MOON_RADIUS_KM, SPEED_OF_LIGHT_KM_S
from moontrim.path.vectors import Array, norm, unit

# Central five-point stencil for slope and second derivative; h = 40 s keeps truncation and rounding
# below a microhertz. Truncation: h^4/30 times the fifth derivative, at most 2 x 6400 km / c x
# (7.3e-5/s)^5 = 9e-23 s^-4, gives 8e-18 = 8e-8 Hz at 10.368 GHz. Rounding: the delays repeat to
# 5e-16 s, times 1.5 / h = 2e-17 = 2e-7 Hz.
STENCIL_S = 40.0
STENCIL = STENCIL_S * np.array([-2.0, -1.0, 0.0, 1.0, 2.0])[:, np.newaxis]
MIDDLE = 2

# A round leaves 4e-6 of the light time's error, so once a round has changed it by less than this
# the rest is below 1e-16 s.
SETTLED_S = 1e-11
# Chosen: three rounds are enough; a bound ends the loop for input that never settles (NaN).
MAX_ROUNDS = 12
# Where the iteration starts: light time over a middle distance of 384000 km.
FIRST_GUESS_S = 1.28


@dataclass(frozen=True)
class Bounce:
    """A solved path, all (S, N), seconds.

    to_point_s, from_point_s: light times from the sender to the reflection point and from there to
    the receiver. leaves_s, bounces_s, arrives_s: when the wave does so, after the base instants."""

    to_point_s: Array
    from_point_s: Array
    leaves_s: Array
    bounces_s: Array
    arrives_s: Array


def solve(
    sender: VectorCurve, moon: VectorCurve, receiver: VectorCurve, when_s: Array, *, arriving: bool
) -> Bounce:
    """Solves the path sender - Moon - receiver by light-time iteration, with the reflection point
    at the instant of the bounce; converged to 1e-16 s.

    when_s: (S, N), when the waves arrive (arriving=False: leave), after the curves' base
    instants."""
    to_point_s = np.full(when_s.shape, FIRST_GUESS_S)
    from_point_s = to_point_s
    normal: Array | None = None
    fixed_km = receiver(when_s) if arriving else sender(when_s)
    for _ in range(MAX_ROUNDS):
        bounces_s = when_s - from_point_s if arriving else when_s + to_point_s
        moon_km = moon(bounces_s)
        if arriving:
            sender_km, receiver_km = sender(bounces_s - to_point_s), fixed_km
        else:
            sender_km, receiver_km = fixed_km, receiver(bounces_s + from_point_s)
        if normal is None:
            normal = first_normal(moon_km, sender_km, receiver_km)
            normal = improved_normal(moon_km, sender_km, receiver_km, normal)
        for _ in range(2):
            normal = improved_normal(moon_km, sender_km, receiver_km, normal)
        point_km = moon_km + MOON_RADIUS_KM * normal
        new_to_point_s = norm(point_km - sender_km) / SPEED_OF_LIGHT_KM_S
        new_from_point_s = norm(receiver_km - point_km) / SPEED_OF_LIGHT_KM_S
        changes_s = np.abs(new_to_point_s - to_point_s) + np.abs(new_from_point_s - from_point_s)
        to_point_s, from_point_s = new_to_point_s, new_from_point_s
        if np.all(changes_s < SETTLED_S):
            break
    bounces_s = when_s - from_point_s if arriving else when_s + to_point_s
    return Bounce(
        to_point_s, from_point_s, bounces_s - to_point_s, bounces_s, bounces_s + from_point_s
    )


def slope(values: Array) -> Array:
    """Returns the first derivative per second, (N,), from values (5, N) on the STENCIL."""
    v = values
    return np.asarray((8.0 * (v[3] - v[1]) - (v[4] - v[0])) / (12.0 * STENCIL_S))


def curvature(values: Array) -> Array:
    """Returns the second derivative per second squared, (N,), from values (5, N) on the STENCIL."""
    v = values
    near, far = (v[3] - v[2]) + (v[1] - v[2]), (v[4] - v[2]) + (v[0] - v[2])
    return np.asarray((16.0 * near - far) / (12.0 * STENCIL_S**2))


def first_normal(moon_km: Array, one_km: Array, other_km: Array) -> Array:
    """Returns the unit normal (3, ...) that halves the directions from the Moon's centre: the first
    guess."""
    return unit(unit(one_km - moon_km) + unit(other_km - moon_km))


def improved_normal(moon_km: Array, one_km: Array, other_km: Array, normal: Array) -> Array:
    """Returns the bisector (3, ...) of the rays at the point under the present normal: one
    fixed-point round."""
    point = moon_km + MOON_RADIUS_KM * normal
    return unit(unit(one_km - point) + unit(other_km - point))
