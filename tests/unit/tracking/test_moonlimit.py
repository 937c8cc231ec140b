"""The Moon too low to be worked with: at home by the station's minimum and its horizon, at the
partner by the horizon."""

from __future__ import annotations

import math

import pytest

from moontrim.forecast.question import Horizon
from moontrim.state.snapshot import MoonView
from moontrim.tracking.moonlimit import moon_too_low

OPEN = Horizon(0.0, ())
HILL = Horizon(5.0, ((0.0, 10.0), (90.0, 20.0), (180.0, 0.0)))


@pytest.mark.parametrize(
    ("horizon", "azimuth_deg", "home_deg", "partner_deg", "reason"),
    [
        (OPEN, 90.0, 30.0, 12.0, ""),
        (OPEN, 90.0, 0.0, 0.0, ""),
        (OPEN, 90.0, 30.0, None, ""),  # our own echo
        (OPEN, 90.0, -3.0, 12.0, "Moon at -3.0 degrees at home, minimum 0.0 degrees"),
        (OPEN, 90.0, -3.0, -5.0, "Moon at -3.0 degrees at home, minimum 0.0 degrees"),
        (OPEN, 90.0, 30.0, -1.0, "Moon at -1.0 degrees at the partner, below the horizon"),
        (HILL, 45.0, 14.9, 12.0, "Moon at 14.9 degrees at home, minimum 15.0 degrees"),
        (HILL, 45.0, 15.1, 12.0, ""),
        (HILL, 180.0, 4.9, 12.0, "Moon at 4.9 degrees at home, minimum 5.0 degrees"),
        (OPEN, 90.0, math.nan, 12.0, "Moon at nan degrees at home, minimum 0.0 degrees"),
        (OPEN, 90.0, 3.0, math.nan, "Moon at nan degrees at the partner, below the horizon"),
    ],
)
def test_where_the_moon_is_too_low(
    horizon: Horizon, azimuth_deg: float, home_deg: float, partner_deg: float | None, reason: str
) -> None:
    assert moon_too_low(MoonView(azimuth_deg, home_deg, partner_deg), horizon) == reason
