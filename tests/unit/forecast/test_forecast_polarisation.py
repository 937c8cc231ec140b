"""The turn between two horizons: symmetry, vectors in space, loss."""

from __future__ import annotations

import numpy as np
import pytest

from moontrim.forecast.course import Course, HomeCourse
from moontrim.forecast.polarisation import mismatch_db, offset_text, spatial_offset_deg
from moontrim.path import Ephemeris, Site
from moontrim.path.vectors import cross, dot, unit

T0 = 1_750_000_000.0
DAY_S = 86400.0


def turn(ephemeris: Ephemeris, home: Site, far: Site) -> tuple[np.ndarray, np.ndarray, Course]:
    course = Course(HomeCourse(ephemeris, home, T0, T0 + 5 * DAY_S), far)
    utc_s = np.linspace(T0, T0 + 5 * DAY_S, 700)
    sky = course.at(utc_s)
    up = (sky.home.elevation_deg > 0.0) & (sky.far.elevation_deg > 0.0)
    return utc_s[up], spatial_offset_deg(sky.home, home, sky.far, far)[up], course


def test_neighbours_are_not_turned(ephemeris: Ephemeris) -> None:
    _, rotation, _ = turn(ephemeris, Site(50.0, 10.0), Site(50.0, 10.001))
    assert np.abs(rotation).max() < 0.01


def test_exchange_changes_the_sign(ephemeris: Ephemeris) -> None:
    home, far = Site(50.0, 10.0), Site(40.0, -80.0)
    outward, back = turn(ephemeris, home, far)[1], turn(ephemeris, far, home)[1]
    difference = (outward + back + 90.0) % 180.0 - 90.0
    assert np.abs(difference).max() < 1e-9


@pytest.mark.parametrize("far", [Site(40.0, -80.0), Site(-35.0, 150.0), Site(5.0, 40.0)])
def test_against_directions_in_space(ephemeris: Ephemeris, far: Site) -> None:
    """Both stations' horizontals as vectors in the celestial frame: the angle between them is the
    turn, to the 2 degrees by which the lines of sight differ."""
    home = Site(50.0, 10.0)
    utc_s, rotation, course = turn(ephemeris, home, far)
    assert utc_s.size > 20
    sky = course.at(utc_s)
    horizontals = []
    for site, view in ((home, sky.home), (far, sky.far)):
        pole = [
            ephemeris.station_km(Site(site.latitude_deg, site.longitude_deg, height), utc_s)
            for height in (0.0, 1000.0)
        ]
        horizontals.append(unit(cross(pole[1] - pole[0], unit(view.sight_km))))
    angle = np.degrees(np.arccos(np.clip(np.abs(dot(*horizontals)), 0.0, 1.0)))
    assert np.abs(angle - np.abs(rotation)).max() < 2.5
    assert np.ptp(rotation) > 5.0


def test_mismatch() -> None:
    loss = mismatch_db(np.array([0.0, 45.0, -60.0, 90.0]))
    assert loss == pytest.approx([0.0, 3.0103, 6.0206, 20.0], abs=1e-4)
    text = offset_text(np.array([-45.0, 0.0, 60.0, 30.0]))
    for part in ("-45° at start", "+30° at end", "max 60°", "0.0 to 6.0 dB loss"):
        assert part in text
