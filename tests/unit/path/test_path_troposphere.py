"""Troposphere: derivatives, horizon, season, and how much it is in Hz."""

from __future__ import annotations

import math

import numpy as np
import pytest

from moontrim.path import Ephemeris, Site, moon_from, solve_path
from moontrim.path.troposphere import (
    HEIGHT_TERM_LOWEST_SIN,
    continued_fraction,
    day_of_year,
    height_term,
    niell,
    niell_coefficients,
    slant_over,
)

F_HZ = 10.368e9
HIGH = Site(30.0, 0.0, 2500.0)


@pytest.mark.parametrize("sine", [0.001, 0.01, 0.03, 0.2, 0.9])
def test_analytic_derivatives(sine: float) -> None:
    slant = slant_over(HIGH, 200.0)
    step = 1e-5 * sine
    value, first, second = slant.delay_m(sine)
    above, below = slant.delay_m(sine + step), slant.delay_m(sine - step)
    assert first == pytest.approx((above[0] - below[0]) / (2 * step), rel=1e-6)
    assert second == pytest.approx((above[1] - below[1]) / (2 * step), rel=1e-6)
    assert value > 0.0


def test_floats_and_arrays_agree() -> None:
    slant = slant_over(HIGH, 10.0)
    sines = np.array([0.005, 0.1, 0.7])
    for column, sine in enumerate(sines.tolist()):
        many = [float(part[column]) for part in slant.delay_m(sines)]
        one = [float(part) for part in slant.delay_m(sine)]
        assert many == pytest.approx(one, rel=1e-14)


def test_the_height_term_has_no_step_at_its_edge() -> None:
    edge = HEIGHT_TERM_LOWEST_SIN
    low, high = height_term(edge - 1e-9), height_term(edge + 1e-9)
    assert low[0] == pytest.approx(high[0], abs=1e-6)
    assert low[1] == pytest.approx(high[1], rel=1e-5)
    # Unlike 1/sin(e) it stays small down to the horizon.
    assert abs(height_term(0.0)[0]) < 2.0


def test_zenith_is_one_and_horizon_finite() -> None:
    assert float(continued_fraction(1.0, 1.2e-3, 2.9e-3, 62e-3)[0]) == pytest.approx(1.0)
    hydrostatic, wet = niell(90.0, 45.0, 0.0, 100.0)
    assert float(hydrostatic) == pytest.approx(1.0)
    assert float(wet) == pytest.approx(1.0)


def test_seasons_are_opposite_across_the_equator() -> None:
    north = niell_coefficients(50.0, np.array(28.0))[0]
    south = niell_coefficients(-50.0, np.array(28.0 + 365.25 / 2))[0]
    assert np.allclose(north, south, rtol=1e-12)
    assert not np.allclose(north, niell_coefficients(-50.0, np.array(28.0))[0], rtol=1e-3)


def test_day_of_year() -> None:
    assert float(day_of_year(1704067200.0)) == 1.0  # 2024-01-01
    assert float(day_of_year(1735603200.0 + 43200.0)) == 366.5  # 2024-12-31 12h
    assert float(day_of_year(0.0)) == 1.0


def test_slant_delay_of_a_low_moon() -> None:
    """About 25 m at 5 degrees for a zenith delay near 2.4 m (Niell there: 10.16)."""
    slant = slant_over(Site(48.0, 0.0), 1.0)
    delay_m = float(slant.delay_m(math.sin(math.radians(5.0)))[0])
    zenith_m = slant.zenith_hydrostatic_m + slant.zenith_wet_m
    assert 2.35 < zenith_m < 2.45
    assert delay_m == pytest.approx(
        10.16 * slant.zenith_hydrostatic_m + 10.75 * slant.zenith_wet_m, rel=1e-3
    )


def test_sign_size_and_horizon_on_a_pass(ephemeris: Ephemeris) -> None:
    """Path length falls while the Moon climbs, so the shift goes up; above 2 degrees at latitude 48
    it stays below 2.5 Hz two ways; at the horizon nothing jumps; with the Moon well down there is
    none; off means off."""
    site = Site(48.0, 16.0)
    utc_s = 1.7e9 + 20.0 * np.arange(8640)
    on = solve_path(ephemeris, site, None, utc_s)
    off = solve_path(ephemeris, site, None, utc_s, troposphere=False)
    elevation = on.home_look.elevation_deg
    echo = on.legs["echo"]
    hz = echo.troposphere_fraction * F_HZ
    rising = np.gradient(elevation) > 0
    visible = elevation > 0.1
    assert np.all(hz[visible & rising & (elevation < 20)] > 0.0)
    assert np.all(hz[visible & ~rising & (elevation < 20)] < 0.0)
    assert 0.3 < np.max(np.abs(hz[elevation > 2.0])) < 2.5
    assert np.max(np.abs(np.diff(hz))) < 1.0, "20 s apart; it would be 12 Hz if it broke off"
    assert np.max(np.abs(hz[elevation < -8.0])) < 0.01
    assert np.all(off.legs["echo"].troposphere_fraction == 0.0)
    assert np.all(off.legs["echo"].troposphere_delay_s == 0.0)
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
    ours, both = legs["from_moon"].troposphere_fraction, legs["from_partner"].troposphere_fraction
    assert abs(float(ours)) * F_HZ > 1e-4
    assert abs(float(both - ours)) * F_HZ < 1e-7
