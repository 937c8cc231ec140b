"""Identities every exact solution must keep, and the pieces it is made of."""

from __future__ import annotations

import numpy as np
import pytest

from moontrim.errors import CoverageError
from moontrim.path import LEGS, Ephemeris, Site, moon_from, solve_path
from moontrim.path.constants import MOON_RADIUS_KM
from moontrim.path.delay import (
    MIDDLE,
    STENCIL,
    curvature,
    first_normal,
    improved_normal,
    slope,
    solve,
)
from moontrim.path.libration import orientation_deg, rotation_rad_per_s, spread_fraction
from moontrim.path.vectors import Array, norm, unit

F_HZ = 10.368e9
HOME, PARTNER = Site(48.2, 16.3, 200.0), Site(35.0, -100.0, 400.0)
T0 = 1.7e9


def random_site(rng: np.random.Generator) -> Site:
    return Site(float(np.degrees(np.arcsin(rng.uniform(-1, 1)))), float(rng.uniform(-180, 180)))


def reflection_point(moon: Array, one: Array, other: Array) -> Array:
    """Where the way from one place to the other by way of the Moon's sphere is shortest, (3, N) km.

    Eight rounds: one leaves at most a 200th of the normal's error, which is 0.01 rad at first."""
    normal = first_normal(moon, one, other)
    for _ in range(8):
        normal = improved_normal(moon, one, other, normal)
    return moon + MOON_RADIUS_KM * normal


def test_reflection_point_is_the_shortest_way() -> None:
    """No point of the sphere around it is nearer, for stations all over the globe."""
    rng = np.random.default_rng(1)
    one, other = (6378.0 * unit(rng.normal(size=(3, 200))) for _ in range(2))
    moon = rng.uniform(356000, 406000, 200) * unit(rng.normal(size=(3, 200)))
    point = reflection_point(moon, one, other)
    assert np.allclose(norm(point - moon), MOON_RADIUS_KM, rtol=1e-14)
    way = norm(point - one) + norm(other - point)
    for _ in range(30):
        near = MOON_RADIUS_KM * unit(point - moon + 50.0 * rng.normal(size=(3, 200))) + moon
        assert np.all(norm(near - one) + norm(other - near) >= way - 1e-9)
    # The law of reflection: both rays at the same angle to the normal.
    normal = unit(point - moon)
    sines = [norm(np.cross(unit(x - point), normal, axis=0)) for x in (one, other)]
    assert np.max(np.abs(sines[0] - sines[1])) < 1e-12


def test_reflection_point_of_an_echo_is_the_nearest() -> None:
    site, moon = np.array([6378.0, 0.0, 0.0]), np.array([300000.0, 240000.0, 9000.0])
    point = reflection_point(moon, site, site)
    assert np.allclose(point, moon + MOON_RADIUS_KM * unit(site - moon), atol=1e-9)


def test_stencil_is_exact_for_quartics() -> None:
    t = STENCIL / 1000.0
    values = 1.0 + 2.0 * t + 3.0 * t**2 + 4.0 * t**3 + 5.0 * t**4
    assert slope(values)[0] == pytest.approx(2e-3, rel=1e-12)
    assert curvature(values)[0] == pytest.approx(6e-6, rel=1e-9)


def test_light_times_close(ephemeris: Ephemeris) -> None:
    """Put back into the tracks, the solved instants give the solved light times to 1e-15 s, and a
    path solved from its departure is the one solved from its arrival."""
    rng = np.random.default_rng(2)
    utc_s = rng.uniform(ephemeris.first_utc_s, ephemeris.last_utc_s, 200)
    tai_s, rest_s = ephemeris.split(utc_s)
    moon = ephemeris.moon_track(tai_s)
    home, partner = (ephemeris.earth_fixed_track(s.itrs_km(), tai_s) for s in (HOME, PARTNER))
    when = rest_s[np.newaxis]
    bounce = solve(partner, moon, home, when, arriving=True)
    point = reflection_point(
        moon(bounce.bounces_s), partner(bounce.leaves_s), home(bounce.arrives_s)
    )
    for light_s, way in (
        (bounce.to_point_s, norm(point - partner(bounce.leaves_s))),
        (bounce.from_point_s, norm(point - home(bounce.arrives_s))),
    ):
        assert np.max(np.abs(light_s - way / 299792.458)) < 1e-15
    again = solve(partner, moon, home, bounce.leaves_s, arriving=False)
    assert np.max(np.abs(again.to_point_s - bounce.to_point_s)) < 2e-15
    assert np.max(np.abs(again.arrives_s - when)) < 2e-15


def test_there_and_back(ephemeris: Ephemeris) -> None:
    """What we send at t arrives at the partner at t + T; asked there, partner_to_home is the same
    wave: same delay, same ratio, troposphere included."""
    rng = np.random.default_rng(3)
    for _ in range(20):
        home, partner = random_site(rng), random_site(rng)
        utc_s = float(np.round(rng.uniform(1.4e9, 1.79e9)))
        sent = solve_path(ephemeris, home, partner, utc_s).legs["home_to_partner"]
        arrives = utc_s + float(sent.delay_s)
        received = solve_path(ephemeris, partner, home, arrives).legs["partner_to_home"]
        # POSIX seconds resolve 2.4e-7 s, times a slope of 5e-6, or 5 Hz/s.
        assert abs(float(received.delay_s - sent.delay_s)) < 2e-12
        assert abs(float(received.fraction - sent.fraction)) * F_HZ < 5e-6
        assert received.spread_fraction == pytest.approx(float(sent.spread_fraction), rel=1e-6)


def test_halves_multiply_to_the_whole(ephemeris: Ephemeris) -> None:
    """home_to_moon times the other's moon_to_home is home_to_partner, in vacuum, to 1e-5 Hz."""
    rng = np.random.default_rng(4)
    for partner in (None, *(random_site(rng) for _ in range(10))):
        home = random_site(rng)
        utc_s = float(np.round(rng.uniform(1.4e9, 1.79e9)))
        ours = solve_path(ephemeris, home, partner, utc_s, troposphere=False).legs
        arrives = utc_s + float(ours["home_to_partner"].delay_s)
        theirs = solve_path(
            ephemeris, partner or home, home if partner else None, arrives, troposphere=False
        ).legs
        up, down = ours["home_to_moon"].fraction, theirs["moon_to_home"].fraction
        whole = up + down + up * down
        assert abs(float(whole - ours["home_to_partner"].fraction)) * F_HZ < 1e-5
        assert abs(float(ours["home_to_moon"].delay_s + theirs["moon_to_home"].delay_s)
                   - float(ours["home_to_partner"].delay_s)) < 1e-12  # fmt: skip


def test_fraction_is_the_slope_of_the_delay(ephemeris: Ephemeris) -> None:
    """Against plain differences of whole solutions 1 s either side, troposphere included: 1e-4 Hz,
    1e-4 Hz/s from 2 degrees up (lower down the differences are worse than the formula)."""
    rng = np.random.default_rng(5)
    done = 0
    while done < 25:
        home, partner = random_site(rng), random_site(rng)
        t = float(np.round(rng.uniform(1.4e9, 1.79e9)))
        both = solve_path(ephemeris, home, partner, np.array([t - 1.0, t, t + 1.0]))
        if min(both.home_look.elevation_deg.min(), both.partner_look.elevation_deg.min()) < 2.0:
            continue
        done += 1
        for name in LEGS:
            leg = both.legs[name]
            rate = (leg.delay_s[2] - leg.delay_s[0]) / 2.0
            expected = -rate if name.endswith("_to_home") else 1.0 / (1.0 + rate) - 1.0
            assert abs(leg.fraction[1] - expected) * F_HZ < 1e-4, name
            second = (leg.fraction[2] - leg.fraction[0]) / 2.0
            assert abs(leg.fraction_rate_per_s[1] - second) * F_HZ < 1e-4, name


def test_an_echo_is_a_path_to_the_same_place(ephemeris: Ephemeris) -> None:
    alone = solve_path(ephemeris, HOME, None, T0)
    pair = solve_path(ephemeris, HOME, HOME, T0)
    for name in LEGS:
        for field in ("delay_s", "fraction", "fraction_rate_per_s", "spread_fraction"):
            assert getattr(alone.legs[name], field) == getattr(pair.legs[name], field)
    assert alone.legs["partner_to_home"] is not alone.legs["home_to_partner"]
    assert alone.legs["partner_to_home"].fraction == alone.legs["home_to_home"].fraction
    # Two instants 2.4 s apart of the same echo: the rate explains the difference.
    echo, sent = alone.legs["home_to_home"], alone.legs["home_to_partner"]
    explained = echo.fraction_rate_per_s * echo.delay_s
    assert float(sent.fraction - echo.fraction) == pytest.approx(float(explained), rel=1e-3)


def test_setting_moon_recedes_and_rising_approaches(ephemeris: Ephemeris) -> None:
    utc_s = T0 + 60.0 * np.arange(2880)
    solution = solve_path(ephemeris, Site(10.0, 16.0), None, utc_s)
    elevation, east = solution.home_look.elevation_deg, solution.home_look.azimuth_deg < 180.0
    low = (elevation > 5.0) & (elevation < 15.0)
    assert np.any(low & east)
    assert np.any(low & ~east)
    assert np.all(solution.legs["home_to_home"].fraction[low & east] > 0.0)
    assert np.all(solution.legs["home_to_home"].fraction[low & ~east] < 0.0)


def test_shapes_and_chunks(ephemeris: Ephemeris) -> None:
    utc_s = T0 + np.arange(5000.0) * 7.0
    long = solve_path(ephemeris, HOME, PARTNER, utc_s)
    square = solve_path(ephemeris, HOME, PARTNER, utc_s[:6].reshape(2, 3))
    scalar = solve_path(ephemeris, HOME, PARTNER, T0)
    last = solve_path(ephemeris, HOME, PARTNER, float(utc_s[-1]))
    for name in LEGS:
        assert long.legs[name].fraction.shape == (5000,)
        assert square.legs[name].spread_fraction.shape == (2, 3)
        assert scalar.legs[name].delay_s.shape == ()
        assert abs(long.legs[name].fraction[-1] - last.legs[name].fraction) * F_HZ < 1e-6
        assert abs(square.legs[name].fraction[0, 0] - scalar.legs[name].fraction) * F_HZ < 1e-6
    assert long.home_look.azimuth_deg.shape == (5000,)
    assert scalar.partner_look.distance_km.shape == ()
    empty = solve_path(ephemeris, HOME, PARTNER, np.array([]))
    assert empty.legs["home_to_home"].fraction.shape == (0,)
    assert moon_from(ephemeris, HOME, np.array([])).azimuth_deg.shape == (0,)


def test_outside_the_tables(ephemeris: Ephemeris) -> None:
    for utc_s in (0.0, float("nan"), np.array([T0, 5e9])):
        with pytest.raises(CoverageError):
            solve_path(ephemeris, HOME, None, utc_s)


def test_rotation_is_the_derivative_of_the_orientation() -> None:
    """Turned by a small step, the pole and prime meridian move by omega x themselves."""
    days = np.array([-2000.0, 0.0, 3333.3, 9800.0])

    def axes(d: np.ndarray) -> np.ndarray:
        a, b, w = (np.radians(x) for x in orientation_deg(d))
        pole = np.stack([np.cos(b) * np.cos(a), np.cos(b) * np.sin(a), np.sin(b)])
        node = np.stack([-np.sin(a), np.cos(a), np.zeros_like(a)])
        prime = np.cos(w) * node + np.sin(w) * np.cross(pole, node, axis=0)
        return np.stack([pole, prime])

    step = 1e-3
    omega = rotation_rad_per_s(days)
    moved = (axes(days + step) - axes(days - step)) / (2 * step * 86400.0)
    for axis, velocity in zip(axes(days), moved, strict=True):
        assert np.allclose(np.cross(omega, axis, axis=0), velocity, atol=2e-12)
    # One turn in a sidereal month of 27.321661 days.
    assert np.allclose(norm(omega), 2 * np.pi / (27.321661 * 86400.0), rtol=0.01)


def test_spread_of_opposite_ends_cancels() -> None:
    gradient = np.array([[1e-6], [0.0], [0.0]])
    assert spread_fraction(gradient, -gradient)[0] == 0.0
    one = spread_fraction(gradient)[0]
    assert one == pytest.approx(2 * 1737.4 * 1e-6 / 299792.458)
    assert spread_fraction(gradient, gradient)[0] == pytest.approx(2 * one)


def test_middle_of_the_stencil_is_now() -> None:
    assert STENCIL[MIDDLE, 0] == 0.0
