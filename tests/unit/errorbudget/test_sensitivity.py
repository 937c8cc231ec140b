"""Effects of single errors against figures from outside: WGS84 and Earth orientation of the IERS
Conventions 2010; the table of error sizes was computed with the NAIF toolkit (DE440) for one's own
echo, largest over geometry."""

from __future__ import annotations

import numpy as np
import pytest

from moontrim.errorbudget.sensitivity import Effects, effects
from moontrim.path import Ephemeris, Site, moon_from, parse_site

F_HZ = 10.368e9
T0 = 1.768e9
HOME, PARTNER = parse_site("JN88dd", height_m=200.0), Site(40.0, -80.0, 300.0)


@pytest.fixture(scope="module")
def month(ephemeris: Ephemeris) -> dict[float, list[Effects]]:
    """Effects on the receive dial under `home`, own echo at 10.368 GHz, through a month with the
    Moon up, at latitudes 0 and 52."""
    by_latitude: dict[float, list[Effects]] = {}
    for latitude_deg in (0.0, 52.0):
        site = Site(latitude_deg, 0.0)
        utc_s = T0 + np.arange(0.0, 27.3 * 86400.0, 10800.0)
        up = utc_s[moon_from(ephemeris, site, utc_s).elevation_deg > 0.0]
        by_latitude[latitude_deg] = [
            effects(ephemeris, site, None, float(at), F_HZ, "home")[0] for at in up
        ]
    return by_latitude


def test_a_kilometre_at_home(month: dict[float, list[Effects]]) -> None:
    """5.0 Hz at 10.368 GHz at most (research table, NAIF). The Earth's turning alone (7.292115e-5
    rad/s, IERS) would move an echo by 2 f w / c = 5.04 Hz per km across the line of sight."""
    largest = max(1000.0 * effect.home.per_m for effect in month[0.0] + month[52.0])
    assert largest == pytest.approx(5.0, abs=0.1)
    assert largest <= 2 * F_HZ * 7.292115e-5 * 1000.0 / 299792458.0


def test_height_ut1_and_clock(month: dict[float, list[Effects]]) -> None:
    """Research table (NAIF), own echo at 10.368 GHz, largest: 100 m of height 0.50 Hz, 0.1 s of UT1
    0.23 Hz, rate 2.24 Hz/s at latitude 0 and 1.37 at 52 (it varies over the years); 0.2 Hz/s per
    GHz is the rule (common practice)."""
    both = month[0.0] + month[52.0]
    assert max(100 * abs(e.home_height_hz_per_m) for e in both) == pytest.approx(0.50, abs=0.03)
    assert max(0.1 * abs(e.ut1_hz_per_s) for e in both) == pytest.approx(0.23, abs=0.04)
    assert max(abs(e.late_hz_per_s) for e in month[0.0]) == pytest.approx(2.24, rel=0.07)
    assert max(abs(e.late_hz_per_s) for e in month[52.0]) == pytest.approx(1.37, rel=0.1)
    assert max(abs(e.late_hz_per_s) for e in both) == pytest.approx(0.2 * 10.368, rel=0.15)
