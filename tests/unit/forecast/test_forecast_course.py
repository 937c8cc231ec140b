"""The interpolated course against the exact path; no dependence on what else was asked."""

from __future__ import annotations

import numpy as np
import pytest

from moontrim.forecast.course import MARGIN_S, Course, HomeCourse, azimuth_deg, elevation_deg
from moontrim.path import Ephemeris, Site, moon_from, solve_path

F_HZ = 24.048e9
T0 = 1_750_000_000.0
DAY_S = 86400.0
HOME, PARTNER = Site(50.0, 10.0, 300.0), Site(-35.0, 150.0, 2000.0)


def course_over(
    ephemeris: Ephemeris, partner: Site | None, from_utc_s: float, until_utc_s: float
) -> Course:
    return Course(HomeCourse(ephemeris, HOME, from_utc_s, until_utc_s), partner)


@pytest.mark.parametrize("partner", [None, PARTNER, Site(0.0, -78.0, 2800.0), Site(89.9, 0.0)])
def test_against_the_exact_path(ephemeris: Ephemeris, partner: Site | None) -> None:
    """1e-5 deg, 1 m, and 0.003 Hz of spread at 24 GHz, at 2000 random instants of a month."""
    course = course_over(ephemeris, partner, T0, T0 + 30 * DAY_S)
    utc_s = np.random.default_rng(3).uniform(T0, T0 + 30 * DAY_S, 2000)
    sky, exact = course.at(utc_s), solve_path(ephemeris, HOME, partner, utc_s, troposphere=False)
    for ours, theirs in ((sky.home, exact.home_look), (sky.far, exact.partner_look)):
        assert np.abs(ours.elevation_deg - theirs.elevation_deg).max() < 1e-5
        assert np.abs(ours.geometric_elevation_deg - theirs.geometric_elevation_deg).max() < 1e-5
        turn = (ours.azimuth_deg - theirs.azimuth_deg + 180.0) % 360.0 - 180.0
        assert np.abs(turn * np.cos(np.radians(theirs.elevation_deg))).max() < 1e-5
        assert np.abs(ours.distance_km - theirs.distance_km).max() < 1e-3
    spread = exact.legs["partner_to_home"].spread_fraction
    assert np.abs(sky.spread_fraction - spread).max() * F_HZ < 3e-3
    assert np.abs(sky.moon_km - ephemeris.moon_km(utc_s)).max() < 1e-3


def test_minutes_are_the_same_course(ephemeris: Ephemeris) -> None:
    home = HomeCourse(ephemeris, HOME, T0 + 7.5, T0 + 40 * DAY_S)
    pieces = list(Course(home, PARTNER).minutes())
    assert len(pieces) > 1
    utc_s = np.concatenate([piece[0] for piece in pieces])
    assert np.all(np.diff(utc_s) == 60.0)
    assert utc_s[0] <= T0 and utc_s[-1] >= T0 + 40 * DAY_S - 60.0
    some = slice(0, None, 997)
    for site, lines in ((HOME, list(home.minutes())), (PARTNER, pieces)):
        look = moon_from(ephemeris, site, utc_s[some])
        local = np.concatenate([piece[1] for piece in lines], axis=1)[:, some]
        assert np.array_equal(np.concatenate([piece[0] for piece in lines]), utc_s)
        assert np.abs(elevation_deg(local, site.height_m) - look.elevation_deg).max() < 1e-5
        assert np.abs(azimuth_deg(local) - look.azimuth_deg).max() < 1e-4


def test_a_longer_course_gives_the_same(ephemeris: Ephemeris) -> None:
    short = course_over(ephemeris, PARTNER, T0, T0 + DAY_S)
    long = course_over(ephemeris, PARTNER, T0 - 50 * DAY_S, T0 + 20 * DAY_S)
    utc_s = np.linspace(T0, T0 + DAY_S, 50)
    one, other = (course.at(utc_s).spread_fraction for course in (short, long))
    assert np.abs(one - other).max() * F_HZ < 1e-6


def test_to_the_ends_of_the_tables(ephemeris: Ephemeris) -> None:
    last = ephemeris.last_utc_s - MARGIN_S
    sky = course_over(ephemeris, None, last - DAY_S, last).at([last - DAY_S, last])
    look = moon_from(ephemeris, HOME, sky.utc_s)
    assert np.abs(sky.home.elevation_deg - look.elevation_deg).max() < 1e-5
