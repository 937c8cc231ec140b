"""Troposphere: derivatives, horizon, refraction, and how much it is in Hz."""

from __future__ import annotations

import math

import numpy as np
import pytest

from moontrim.path import Ephemeris, Site, moon_from, solve_path
from moontrim.path.refraction import apparent_elevation_deg
from moontrim.path.troposphere import (
    LOWEST_SIN,
    Slant,
    continued_fraction,
    mapping_coefficients,
    slant_over,
    weather_share,
)

F_HZ = 10.368e9
HIGH = Site(30.0, 0.0, 2500.0)


@pytest.mark.parametrize("sine", [-0.3, -0.05, -0.02, -0.013, -0.01, -1e-4, 0.001, 0.01, 0.2, 0.9])
def test_analytic_derivatives(sine: float) -> None:
    slant = slant_over(HIGH)
    step = 1e-5 * max(sine, 0.01)
    value, first, second = slant.delay_m(sine)
    above, below = slant.delay_m(sine + step), slant.delay_m(sine - step)
    assert first == pytest.approx((above[0] - below[0]) / (2 * step), rel=1e-6, abs=1e-5)
    assert second == pytest.approx((above[1] - below[1]) / (2 * step), rel=1e-6, abs=1e-3)
    assert value > 0.0


def test_floats_and_arrays_agree() -> None:
    slant = slant_over(HIGH)
    sines = np.array([-0.3, -0.015, 0.005, 0.1, 0.7])
    for column, sine in enumerate(sines.tolist()):
        many = [float(part[column]) for part in slant.delay_m(sines)]
        one = [float(part) for part in slant.delay_m(sine)]
        assert many == pytest.approx(one, rel=1e-14)


@pytest.mark.parametrize("height_m", [-500.0, 0.0, 3000.0, 9000.0])
@pytest.mark.parametrize("edge", [0.0, LOWEST_SIN])
def test_no_kink_at_the_horizon_nor_where_it_levels_out(height_m: float, edge: float) -> None:
    """Value, slope and curvature; it was a jump of the curvature at 0 degrees once."""
    slant = slant_over(Site(30.0, 0.0, height_m))
    low, high = slant.delay_m(edge - 1e-9), slant.delay_m(edge + 1e-9)
    for one, other in zip(low, high, strict=True):
        assert one == pytest.approx(other, rel=1e-6)


@pytest.mark.parametrize("height_m", [-500.0, 0.0, 3000.0, 9000.0])
def test_the_delay_falls_all_the_way_up_and_levels_out_below(height_m: float) -> None:
    slant = slant_over(Site(30.0, 0.0, height_m))
    value, slope, _ = slant.delay_m(np.linspace(-0.08, 1.0, 100_000))
    assert np.all(np.diff(value) < 0.0) and np.all(slope < 0.0)
    ending = slant.delay_m(np.linspace(-1.0, -0.08, 1000))
    assert np.all(np.abs(ending[1]) < 1e-4 * np.abs(slant.delay_m(0.0)[1]))
    assert np.all(np.isfinite(ending))


def test_zenith_is_one() -> None:
    assert continued_fraction(1.0, *mapping_coefficients(1.7))[0] == pytest.approx(1.0, rel=1e-15)


def test_slant_delay_of_a_low_moon() -> None:
    """About 25 m at 5 degrees for a zenith delay near 2.4 m (Niell in January: 10.16 hydrostatic,
    10.75 wet; cold air is lower, so its mapping is the greater)."""
    slant = slant_over(Site(48.0, 0.0))
    delay_m = float(slant.delay_m(math.sin(math.radians(5.0)))[0])
    assert 2.35 < slant.zenith_m < 2.45
    assert delay_m == pytest.approx(10.18 * slant.zenith_m, rel=5e-3)


def test_the_share_of_the_weather_grows_towards_the_horizon() -> None:
    shares = [weather_share(math.sin(math.radians(deg)), 0.0) for deg in (-0.5, 0.0, 3.0, 60.0)]
    assert shares == sorted(shares, reverse=True)
    assert shares[-1] > 0.02 and shares[0] < 0.1
    assert weather_share(0.0, 3.0) < weather_share(0.0, 0.0)
    assert weather_share(-1.0, 0.0) == weather_share(LOWEST_SIN, 0.0)


@pytest.mark.parametrize("height_m", [-500.0, 0.0, 3000.0, 9000.0])
def test_apparent_elevation_is_higher_and_in_order(height_m: float) -> None:
    geometric = np.linspace(-90.0, 90.0, 20_001)
    apparent = apparent_elevation_deg(geometric, height_m)
    assert np.all(np.diff(apparent) > 0.0)
    assert np.all(apparent > geometric) and np.all(apparent - geometric < 0.9)
    for at in (0, 9_800, 10_000, 20_000):
        one = apparent_elevation_deg(float(geometric[at]), height_m)
        assert one == pytest.approx(float(apparent[at]), rel=1e-14)


def test_slant_is_of_plain_numbers() -> None:
    """The fast path computes with floats."""
    slant: Slant = slant_over(HIGH)
    assert all(type(number) is float for number in (slant.zenith_m, *slant.coefficients))


def test_sign_size_and_horizon_on_a_pass(ephemeris: Ephemeris) -> None:
    """Path length falls while the Moon climbs, so the shift goes up; above 2 degrees at latitude 48
    it stays below 2.5 Hz two ways; at the horizon nothing jumps; with the Moon well down there is
    none; off means off."""
    site = Site(48.0, 16.0)
    utc_s = 1.7e9 + 20.0 * np.arange(8640)
    on = solve_path(ephemeris, site, None, utc_s)
    off = solve_path(ephemeris, site, None, utc_s, troposphere=False)
    elevation = on.home_look.geometric_elevation_deg
    echo = on.legs["home_to_home"]
    hz = echo.troposphere_fraction * F_HZ
    rising = np.gradient(elevation) > 0
    visible = elevation > 0.1
    assert np.all(hz[visible & rising & (elevation < 20)] > 0.0)
    assert np.all(hz[visible & ~rising & (elevation < 20)] < 0.0)
    assert 0.3 < np.max(np.abs(hz[elevation > 2.0])) < 2.5
    assert np.max(np.abs(np.diff(hz))) < 1.0, "20 s apart; it would be 12 Hz if it broke off"
    assert np.max(np.abs(hz[elevation < -8.0])) < 0.01
    assert np.all(off.legs["home_to_home"].troposphere_fraction == 0.0)
    assert np.all(off.legs["home_to_home"].troposphere_delay_s == 0.0)
    for name, leg in on.legs.items():
        vacuum = off.legs[name]
        assert np.allclose(leg.fraction - leg.troposphere_fraction, vacuum.fraction, atol=1e-20)
        assert np.allclose(leg.delay_s - leg.troposphere_delay_s, vacuum.delay_s, atol=1e-15)


def test_one_end_down_leaves_the_other_ends_part(ephemeris: Ephemeris) -> None:
    home = Site(48.0, 16.0)
    look = moon_from(ephemeris, home, 1.7e9 + 600.0 * np.arange(150))
    up = 1.7e9 + 600.0 * float(np.argmax(look.elevation_deg))
    below = Site(-48.0, -164.0)
    legs = solve_path(ephemeris, home, below, up).legs
    assert float(moon_from(ephemeris, below, up).elevation_deg) < 0
    ours, both = (
        legs["moon_to_home"].troposphere_fraction,
        legs["partner_to_home"].troposphere_fraction,
    )
    assert abs(float(ours)) * F_HZ > 1e-4
    assert abs(float(both - ours)) * F_HZ < 1e-7
