"""The troposphere and the refraction of the package against traced rays, and these against what
others have published."""

from __future__ import annotations

import erfa
import numpy as np
import pytest

from authority.niell import niell
from authority.raytrace import EARTH_M, STANDARD, TOP_M, Air, arriving, trace
from authority.weather import shares_of_weather
from moontrim.path import Site
from moontrim.path.refraction import apparent_elevation_deg
from moontrim.path.troposphere import slant_over, weather_share
from support.effort import MOST

F_HZ, C_M_S = 10.368e9, 299792458.0
# The fastest that the Moon climbs: over the equator, less its own motion.
CLIMB_RAD_S = np.radians(14.6 / 3600.0)
TWO_WAY_HZ = 2.0 * F_HZ / C_M_S * CLIMB_RAD_S  # per metre of delay and radian
HEIGHTS_M = (0.0, 500.0, 1000.0, 2000.0, 3000.0)
GEOMETRIC_DEG = np.concatenate(
    [np.linspace(-0.6, 3.0, 37), np.linspace(3.2, 15.0, 12), [20.0, 40.0, 90.0]]
)


def test_the_trace_against_its_own_differential_equation() -> None:
    """A ray followed in steps along its path (Runge and Kutta), instead of by the integrals."""
    for height_m, apparent_deg in ((0.0, 0.1), (0.0, 5.0), (2000.0, -0.2)):
        apparent = np.radians(apparent_deg)
        start = EARTH_M + height_m

        def slopes(state: np.ndarray) -> np.ndarray:
            r, _, e, _ = state
            low, high = (float(STANDARD.refractivity(np.array([r - EARTH_M + by]))[0]) * 1e-6
                         for by in (-0.5, 0.5))  # fmt: skip
            n = 0.5 * (low + high)
            bend = np.cos(e) * (1.0 / r + (high - low) / (1.0 + n))
            return np.array([np.sin(e), np.cos(e) / r, bend, n])

        state, length_m = np.array([start, 0.0, apparent, 0.0]), 0.0
        while state[0] < EARTH_M + TOP_M:
            step = 1000.0 if state[0] < EARTH_M + 20_000.0 else 5000.0
            one = slopes(state)
            two = slopes(state + 0.5 * step * one)
            three = slopes(state + 0.5 * step * two)
            four = slopes(state + step * three)
            state = state + step / 6.0 * (one + 2.0 * two + 2.0 * three + four)
            length_m += step
        r, angle, e, excess_m = state
        geometric = e - angle
        along = (r * np.cos(angle) - start) * np.sin(geometric) + r * np.sin(angle) * np.cos(
            geometric
        )
        ray = trace(STANDARD, height_m, np.array([apparent]))
        assert np.degrees(ray.geometric[0] - geometric) == pytest.approx(0.0, abs=2e-4)
        assert ray.delay_m[0] == pytest.approx(excess_m + length_m - along, abs=0.02)


def test_the_trace_gives_the_slope_of_its_delay() -> None:
    geometric = np.radians([-0.5, 0.0, 1.0, 5.0, 30.0])
    ray = arriving(STANDARD, 800.0, geometric)
    above, below = (arriving(STANDARD, 800.0, geometric + by) for by in (1e-5, -1e-5))
    slope = (above.delay_m - below.delay_m) / 2e-5
    assert slope == pytest.approx(ray.delay_by_elevation, rel=1e-3)


@pytest.mark.parametrize(("height_m", "day"), [(0.0, 120.0), (0.0, 300.0), (2000.0, 120.0)])
def test_the_trace_against_niell(height_m: float, day: float) -> None:
    """At 45 degrees latitude in spring and autumn, when the air is about the standard one, of dry
    air: 0.3 % from 3 degrees up (seasons differ by 0.5 % there)."""
    elevation_deg = np.array([3.0, 4.0, 6.0, 10.0, 20.0, 90.0])
    ray = arriving(Air(vapour_g_m3=1e-6), height_m, np.radians(elevation_deg))
    hydrostatic, _ = niell(elevation_deg, 45.0, height_m, day)
    assert ray.delay_m / ray.delay_m[-1] == pytest.approx(hydrostatic, rel=3e-3)


@pytest.mark.parametrize(("vapour_g_m3", "humidity"), [(1e-6, 0.0), (7.5, 7.5 / 12.83)])
def test_bending_against_erfa(vapour_g_m3: float, humidity: float) -> None:
    """ERFA's refco for radio waves, good from 15 degrees up: to 1.5 % (humidity: of 12.83 g/m3, the
    saturation at 15 degrees C). It gives the refraction by the apparent direction."""
    apparent_deg = np.array([15.0, 30.0, 60.0])
    a, b = erfa.refco(1013.25, 15.0, humidity, 1000.0)
    tangent = np.tan(np.radians(90.0 - apparent_deg))
    theirs = a * tangent + b * tangent**3
    ray = trace(Air(vapour_g_m3=vapour_g_m3), 0.0, np.radians(apparent_deg))
    assert ray.apparent - ray.geometric == pytest.approx(theirs, rel=0.015)


def test_bending_at_the_horizon_against_bennett() -> None:
    """Bennett (1982) for light, 1010 hPa and 10 degrees C (from memory): 34.5' at the horizon, 5.4'
    at 10 degrees. Light in dry air bends less than a dry radio wave by the ratio of refractivities,
    under 3 %."""
    apparent_deg = np.array([0.0, 0.5, 1.0, 3.0, 10.0])
    theirs = 1.0 / np.tan(np.radians(apparent_deg + 7.31 / (apparent_deg + 4.4))) / 60.0
    air = Air(pressure_hpa=1010.0, warmer_k=-5.0, vapour_g_m3=1e-6)
    ray = trace(air, 0.0, np.radians(apparent_deg))
    assert np.degrees(ray.apparent - ray.geometric) == pytest.approx(theirs, rel=0.05)


@pytest.mark.parametrize("height_m", HEIGHTS_M)
def test_the_delay_follows_the_rays(height_m: float) -> None:
    """Shift there and back at 10.368 GHz: within 0.05 Hz, measured 0.01 Hz; delay: within 5 cm."""
    geometric = np.radians(GEOMETRIC_DEG)
    ray = arriving(STANDARD, height_m, geometric)
    value, by_sine, _ = slant_over(Site(45.0, 0.0, height_m)).delay_m(np.sin(geometric))
    off_hz = TWO_WAY_HZ * (by_sine * np.cos(geometric) - ray.delay_by_elevation)
    off_m = value - ray.delay_m
    print(f"{height_m:.0f} m: {np.abs(off_hz).max():.4f} Hz, {np.abs(off_m).max():.3f} m")
    assert np.abs(off_hz).max() < 0.02
    assert np.abs(off_m).max() < 0.06


@pytest.mark.parametrize("height_m", [-500.0, 4500.0, 9000.0])
def test_the_delay_follows_the_rays_at_every_height_allowed(height_m: float) -> None:
    geometric = np.radians(GEOMETRIC_DEG)
    ray = arriving(STANDARD, height_m, geometric)
    _, by_sine, _ = slant_over(Site(45.0, 0.0, height_m)).delay_m(np.sin(geometric))
    off_hz = TWO_WAY_HZ * (by_sine * np.cos(geometric) - ray.delay_by_elevation)
    assert np.abs(off_hz).max() < 0.05


@pytest.mark.parametrize("latitude_deg", [0.0, 30.0, 45.0, 60.0, -75.0])
@pytest.mark.parametrize("height_m", [0.0, 2000.0])
def test_the_delay_against_niell_in_every_season(latitude_deg: float, height_m: float) -> None:
    """From 3 degrees up, with the speed at which the Moon climbs at the latitude: 0.04 Hz."""
    elevation_deg = np.linspace(3.0, 90.0, 400)
    geometric = np.radians(elevation_deg)
    slant = slant_over(Site(latitude_deg, 0.0, height_m))
    by_elevation = slant.delay_m(np.sin(geometric))[1] * np.cos(geometric)
    # The shares of the zenith delay: 0.1 m of it is wet at sea level.
    wet_m = 0.096 * np.exp(-height_m / 2000.0)
    climb = max(np.cos(np.radians(latitude_deg)), 0.5)
    worst_hz = 0.0
    for day in (28.0, 119.0, 211.0, 302.0):
        hydrostatic, wet = niell(elevation_deg, latitude_deg, height_m, day)
        theirs = np.gradient((slant.zenith_m - wet_m) * hydrostatic + wet_m * wet, geometric)
        off = TWO_WAY_HZ * climb * np.abs(by_elevation - theirs)[1:-1]
        worst_hz = max(worst_hz, float(off.max()))
    print(f"{latitude_deg} degrees, {height_m} m: {worst_hz:.3f} Hz")
    assert worst_hz < 0.04


@pytest.mark.parametrize("height_m", HEIGHTS_M)
def test_apparent_elevation_by_the_rays(height_m: float) -> None:
    ray = arriving(STANDARD, height_m, np.radians(GEOMETRIC_DEG))
    off = apparent_elevation_deg(GEOMETRIC_DEG, height_m) - np.degrees(ray.apparent)
    print(f"{height_m:.0f} m: {np.abs(off).max():.4f} degrees")
    assert np.abs(off).max() < 0.025


@pytest.mark.parametrize("height_m", [0.0, 2500.0])
@pytest.mark.parametrize("geometric_deg", [-0.5, 0.0, 1.0, 4.0, 20.0])
def test_the_share_of_the_weather(height_m: float, geometric_deg: float) -> None:
    """Never much less than the spread of the traced atmospheres, nor more than 1.5 times it; 95 %
    of them within 1.96 of it."""
    count = 1000 if MOST else 300
    shares = shares_of_weather(np.random.default_rng(9), count, height_m, geometric_deg)
    stated = weather_share(float(np.sin(np.radians(geometric_deg))), height_m / 1000.0)
    rms, inside = np.sqrt(np.mean(shares**2)), np.mean(np.abs(shares) < 1.96 * stated)
    print(f"{height_m:.0f} m, {geometric_deg}: rms {rms:.4f}, stated {stated:.4f}, {inside:.1%}")
    assert 0.9 * rms < stated < 1.5 * rms
    assert inside > 0.93
