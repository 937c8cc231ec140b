"""Where on the Moon a wave bounces: the point of the sphere with the shortest way between sites.

By Fermat's principle the normal there halves the angle between the two rays. Knows no time.
"""

from __future__ import annotations

from moontrim.path.vectors import Array, unit

# Mean radius of the Moon (Archinal et al. 2018, Cel. Mech. Dyn. Astr. 130, 22, table 5).
MOON_RADIUS_KM = 1737.4
# One round turns the normal by at most MOON_RADIUS / distance = 1/200 of its error, so from a first
# error of 0.01 rad eight rounds reach the last digit.
ROUNDS = 8


def first_normal(moon_km: Array, one_km: Array, other_km: Array) -> Array:
    """Unit normal (3, ...) halving the directions from the Moon's centre: where to start."""
    return unit(unit(one_km - moon_km) + unit(other_km - moon_km))


def improved_normal(moon_km: Array, one_km: Array, other_km: Array, normal: Array) -> Array:
    """One fixed-point round: the bisector (3, ...) seen from the point under the present normal."""
    point = moon_km + MOON_RADIUS_KM * normal
    return unit(unit(one_km - point) + unit(other_km - point))


def reflection_point(moon_km: Array, one_km: Array, other_km: Array) -> Array:
    """The point (3, ...), km, of the sphere of MOON_RADIUS_KM around moon_km where the way from
    one_km to other_km is shortest; all in one inertial frame, any two places well outside."""
    normal = first_normal(moon_km, one_km, other_km)
    for _ in range(ROUNDS):
        normal = improved_normal(moon_km, one_km, other_km, normal)
    return moon_km + MOON_RADIUS_KM * normal
