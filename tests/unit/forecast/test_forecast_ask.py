"""What is asked: horizons, antennas, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest

from moontrim.errors import InputError
from moontrim.forecast.question import Antenna, End, ForecastQuestion, Horizon
from moontrim.path import Site

HOME = End("home", Site(50.0, 10.0))


def test_mask_is_joined_by_straight_lines_round_through_north() -> None:
    horizon = Horizon(1.0, ((10.0, 4.0), (100.0, 0.0), (350.0, 8.0)))
    azimuth = np.array([10.0, 55.0, 100.0, 225.0, 350.0, 0.0, 360.0])
    expected = [4.0, 2.0, 1.0, 4.0, 8.0, 6.0, 6.0]
    assert horizon.elevation_deg(azimuth) == pytest.approx(expected)
    assert Horizon(3.0).elevation_deg(azimuth) == pytest.approx([3.0] * 7)
    assert Horizon(0.0, ((90.0, 7.0),)).elevation_deg(azimuth) == pytest.approx([7.0] * 7)


@pytest.mark.parametrize(
    "mask",
    [
        ((90.0, 3.0), (10.0, 2.0)),
        ((90.0, 3.0), (90.0, 2.0)),
        ((-1.0, 3.0),),
        ((360.0, 3.0),),
        ((0.0, 90.0),),
        ((0.0, math.nan),),
        ((math.nan, 1.0),),
    ],
)
def test_a_mask_out_of_order_is_refused(mask: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(InputError, match="horizon"):
        Horizon(0.0, mask)


@pytest.mark.parametrize("elevation_deg", [-6.0, 90.0, math.nan])
def test_lowest_elevation_out_of_range(elevation_deg: float) -> None:
    with pytest.raises(InputError, match="min_elevation_deg"):
        Horizon(elevation_deg)


def test_dish() -> None:
    """3 m at 1296 MHz: 0.5 (pi 3 / 0.23132)^2 = 830, 29.2 dBi; 70 x 0.23132 / 3 = 5.4 degrees."""
    antenna = Antenna.of_dish(3.0, 0.5, 1296e6)
    assert antenna.gain_dbi == pytest.approx(29.19, abs=0.01)
    assert antenna.beam_deg == pytest.approx(5.398, abs=0.001)


def test_beam_of_a_gain_holds_the_whole_sphere_once() -> None:
    """Integral over directions of the relative gain, times the gain, is 4 pi."""
    antenna = Antenna.of_gain(30.0)
    theta = np.linspace(0.0, 0.5, 200_001)
    pattern = 2.0 ** (-((2.0 * np.degrees(theta) / antenna.beam_deg) ** 2))
    solid_angle = np.trapezoid(2.0 * np.pi * np.sin(theta) * pattern, theta)
    assert 1000.0 * solid_angle == pytest.approx(4.0 * np.pi, rel=2e-3)
    assert Antenna.of_gain(-3.0).beam_deg == 180.0


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"frequency_hz": 0.0}, "frequency_hz"),
        ({"frequency_hz": math.nan}, "frequency_hz"),
        ({"until_utc_s": 1.0}, "until"),
        ({"until_utc_s": math.inf}, "until"),
        ({"max_spread_hz": 0.0}, "max_spread"),
        ({"max_spread_hz": math.nan}, "max_spread"),
    ],
)
def test_questions_without_sense(change: dict[str, float], field: str) -> None:
    good = {"frequency_hz": 1e9, "from_utc_s": 1e9, "until_utc_s": 1.1e9}
    with pytest.raises(InputError, match=field):
        ForecastQuestion(HOME, None, **(good | change))
