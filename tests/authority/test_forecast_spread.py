"""The spread of a forecast and its turning points against points fixed on the limb (DE440 and the
DE421 lunar frame, NAIF's toolkit), ranges differenced; nothing of moontrim in the reference."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import numpy as np
import pytest

from authority import naif
from authority.test_spread import F_HZ, brute_force_hz
from moontrim.forecast.compute import forecast
from moontrim.forecast.question import End, ForecastQuestion
from moontrim.path import Ephemeris, Site

DAY_S = 86400.0
T0 = datetime(2025, 2, 3, tzinfo=UTC).timestamp()
WAYS = ("up", "down")


def minimum_near(width_hz: Callable[[float], float], at_utc_s: float) -> float:
    """Where the limb points' width is least, within five minutes: golden section."""
    ratio = (np.sqrt(5.0) - 1.0) / 2.0
    low, high = at_utc_s - 300.0, at_utc_s + 300.0
    one, other = high - ratio * (high - low), low + ratio * (high - low)
    f_one, f_other = width_hz(one), width_hz(other)
    while high - low > 4.0:
        if f_one < f_other:
            high, other, f_other = other, one, f_one
            one = high - ratio * (high - low)
            f_one = width_hz(one)
        else:
            low, one, f_one = one, other, f_other
            other = low + ratio * (high - low)
            f_other = width_hz(other)
    return 0.5 * (low + high)


@pytest.mark.parametrize(
    ("home", "partner"),
    [
        (Site(52.0, 0.0, 100.0), None),
        (Site(52.0, 0.0, 100.0), Site(30.0, -80.0, 50.0)),
        (Site(52.0, 0.0, 100.0), Site(-20.0, 57.0, 300.0)),
        (Site(2.0, 100.0), Site(35.0, 139.0)),
    ],
)
def test_spread_and_minima(ephemeris: Ephemeris, home: Site, partner: Site | None) -> None:
    """A month: 1 % (or 0.01 Hz near nothing) at samples, minima within a minute."""
    naif.load_kernels()
    naif.load_moon_frames()
    far = None if partner is None else End("partner", partner)
    windows = forecast(
        ephemeris, ForecastQuestion(End("home", home), far, F_HZ, T0, T0 + 27 * DAY_S)
    ).windows
    worst_share, worst_s, minima = 0.0, 0.0, 0
    for window in windows:
        s = window.series
        for k in range(0, s.utc_s.size, 240):
            theirs = brute_force_hz(home, partner, float(s.utc_s[k]), WAYS)
            off = abs(float(s.spread_hz[k]) - theirs)
            assert off < max(0.01 * theirs, 0.01)
            worst_share = max(worst_share, off / theirs)
        for turn in window.minima:
            at = minimum_near(lambda t: brute_force_hz(home, partner, t, WAYS), turn.at_utc_s)
            theirs = brute_force_hz(home, partner, turn.at_utc_s, WAYS)
            worst_s = max(worst_s, abs(at - turn.at_utc_s))
            minima += 1
            assert abs(at - turn.at_utc_s) < 60.0
            assert turn.spread_hz == pytest.approx(theirs, rel=0.01, abs=0.01)
    print(f"{minima} minima, worst {worst_s:.1f} s; spread within {worst_share:.1e}")
    assert minima >= 2
