"""Turning points and best stretches of spreads made up for the purpose."""

from __future__ import annotations

import numpy as np
import pytest

from moontrim.forecast.spread import low_spread_limit_hz, low_spread_periods, turning_points

T0 = 1_750_000_000.0
HOUR_S = 3600.0


def sharp(at_utc_s: float, least_hz: float) -> object:
    """A vector that passes zero at a distance: |v| has a minimum, sharp for a small least_hz."""
    return lambda t: np.hypot(least_hz, 40.0 * np.sin((t - at_utc_s) / (4 * HOUR_S)))


@pytest.mark.parametrize("least_hz", [0.0, 0.01, 1.0, 30.0])
@pytest.mark.parametrize("second", [0.0, 17.3, 30.0, 59.9])
def test_a_minimum_to_the_second(least_hz: float, second: float) -> None:
    at_utc_s = T0 + 3 * HOUR_S + second
    minima, maxima = turning_points(sharp(at_utc_s, least_hz), [(T0, T0 + 6 * HOUR_S)])[0]
    (least,) = minima
    assert least.at_utc_s == pytest.approx(at_utc_s, abs=1.0)
    assert least.spread_hz == pytest.approx(least_hz, abs=0.01)
    assert maxima == ()


def test_minima_and_maxima_in_turn_and_only_inside() -> None:
    def wave(t: np.ndarray) -> np.ndarray:
        return 50.0 + 20.0 * np.cos((t - T0) / HOUR_S)

    minima, maxima = turning_points(wave, [(T0 + 1.0, T0 + 10 * HOUR_S)])[0]
    assert [m.at_utc_s - T0 for m in minima] == pytest.approx(
        [np.pi * HOUR_S, 3 * np.pi * HOUR_S], abs=1.0
    )
    assert [m.at_utc_s - T0 for m in maxima] == pytest.approx([2 * np.pi * HOUR_S], abs=1.0)
    assert minima[0].spread_hz == pytest.approx(30.0, abs=1e-3)
    assert maxima[0].spread_hz == pytest.approx(70.0, abs=1e-3)
    # A turning point half a minute outside is not one of the window's.
    late = (T0 + np.pi * HOUR_S + 30.0, T0 + 2 * HOUR_S + np.pi * HOUR_S)
    ((minima, _),) = turning_points(wave, [late])
    assert minima == ()
    # Several spans at once give what each gives alone, even where their minutes overlap.
    spans = [(T0 + 1.0, T0 + 3 * HOUR_S), (T0 + 3 * HOUR_S + 61.0, T0 + 10 * HOUR_S), late]
    assert turning_points(wave, spans) == [turning_points(wave, [span])[0] for span in spans]
    assert turning_points(wave, []) == []


def test_best_under_a_limit() -> None:
    """|t| in minutes around two hours: at most 30 Hz from 1:30 to 2:30, to the second."""
    utc_s = T0 + 60.0 * np.arange(241)
    spread = np.abs(utc_s - T0 - 2 * HOUR_S) / 60.0 + 0.25
    (stretch,) = low_spread_periods(utc_s, spread, 30.0)
    assert stretch.start_utc_s == pytest.approx(T0 + 5415.0, abs=1e-6)
    assert stretch.end_utc_s == pytest.approx(T0 + 8985.0, abs=1e-6)
    assert stretch.min_hz == 0.25
    assert stretch.max_hz <= 30.0
    assert stretch.min_hz < stretch.mean_hz < stretch.max_hz
    assert low_spread_periods(utc_s, spread, 0.2) == ()
    (whole,) = low_spread_periods(utc_s, spread, 1000.0)
    assert (whole.start_utc_s, whole.end_utc_s) == (utc_s[0], utc_s[-1])


def test_without_a_limit_the_lowest_quarter() -> None:
    utc_s = T0 + 60.0 * np.arange(401)
    spread = 100.0 - 50.0 * np.sin(np.pi * np.arange(401) / 400.0)
    (stretch,) = low_spread_periods(utc_s, spread, low_spread_limit_hz(spread, None))
    assert stretch.end_utc_s - stretch.start_utc_s == pytest.approx(100 * 60.0, abs=120.0)
    random = np.random.default_rng(5)
    for size in (1, 2, 3, 4, 5, 100, 401):
        values = random.uniform(1.0, 100.0, size)
        assert low_spread_limit_hz(values, None) == pytest.approx(np.percentile(values, 25.0))


def test_smallest_first_and_short_ones_left_out() -> None:
    utc_s = T0 + 60.0 * np.arange(200)
    spread = np.full(200, 100.0)
    spread[10:40], spread[100:130], spread[150:154] = 20.0, 10.0, 1.0
    stretches = low_spread_periods(utc_s, spread, 50.0)
    assert [s.mean_hz for s in stretches] == [10.0, 20.0]
    spread[10:40] = spread[100:130] = 100.0
    (only,) = low_spread_periods(utc_s, spread, 50.0)
    assert only.mean_hz == 1.0
    assert low_spread_periods(utc_s[:1], spread[:1], 50.0) == ()


def test_a_limit_of_the_signal_as_well() -> None:
    """Spread at most 30 Hz from 1:30:15 to 2:29:45, margin above zero until 2:00:10."""
    utc_s = T0 + 60.0 * np.arange(241)
    spread = np.abs(utc_s - T0 - 2 * HOUR_S) / 60.0 + 0.25
    margin = (T0 + 2 * HOUR_S + 10.0 - utc_s) / 600.0
    (stretch,) = low_spread_periods(utc_s, spread, 30.0, margin)
    assert stretch.start_utc_s == pytest.approx(T0 + 5415.0, abs=1e-6)
    assert stretch.end_utc_s == pytest.approx(T0 + 7210.0, abs=1e-6)
    assert low_spread_periods(utc_s, spread, 30.0, np.full(241, -0.1)) == ()
    # Both limits broken between the same two samples: the first counts.
    steep = np.where(np.arange(241) <= 150, 1.0, -59.0)
    (stretch,) = low_spread_periods(utc_s, spread, 30.25, steep)
    assert stretch.end_utc_s == pytest.approx(T0 + 9000.0, abs=1e-6)
    assert low_spread_limit_hz(spread, 30.0) == 30.0
