"""Windows: their edges, whose they are, masks, ends of the span."""

from __future__ import annotations

import numpy as np
import pytest

from moontrim.forecast.course import Course, HomeCourse
from moontrim.forecast.question import End, Horizon
from moontrim.forecast.windowsearch import Scan, above_home, find_windows
from moontrim.path import Ephemeris, Site, moon_from

T0 = 1_750_000_012.3
DAY_S = 86400.0
HOME, PARTNER = Site(50.0, 10.0, 300.0), Site(40.0, -80.0, 50.0)
MASK = ((0.0, 5.0), (90.0, 25.0), (180.0, 2.0), (270.0, 11.0))


def scan(ephemeris: Ephemeris, home: End, far: End, days: float = 12.0, start: float = T0) -> Scan:
    partner = None if far is home else far.site
    home_course = HomeCourse(ephemeris, home.site, start, start + days * DAY_S)
    course = Course(home_course, partner)
    return find_windows(course, home, far, above_home(home_course, home))


def above(ephemeris: Ephemeris, end: End, utc_s: np.ndarray) -> np.ndarray:
    look = moon_from(ephemeris, end.site, utc_s)
    return np.asarray(look.elevation_deg - end.horizon.elevation_deg(look.azimuth_deg))


@pytest.mark.parametrize("horizon", [Horizon(), Horizon(7.5), Horizon(1.0, MASK), Horizon(-1.0)])
@pytest.mark.parametrize("alone", [True, False])
def test_edges_by_the_exact_look(ephemeris: Ephemeris, horizon: Horizon, alone: bool) -> None:
    """Up just inside, not up just outside (20 ms), up throughout; the owner is the one who turns
    there; and every minute that is up lies in a window."""
    home = End("home", HOME, horizon)
    far = home if alone else End("partner", PARTNER, Horizon(2.0))
    scanned = scan(ephemeris, home, far)
    assert len(scanned.spans) >= 8
    minutes = np.arange(T0, T0 + 12 * DAY_S, 60.0)
    both = np.minimum(above(ephemeris, home, minutes), above(ephemeris, far, minutes))
    in_window = np.zeros(minutes.size, dtype=bool)
    for span in scanned.spans:
        in_window |= (minutes >= span.start_utc_s) & (minutes <= span.end_utc_s)
        for edge, sign, owner in (
            (span.start_utc_s, 1.0, span.rise_limited_by),
            (span.end_utc_s, -1.0, span.set_limited_by),
        ):
            if owner is None:
                assert edge in (T0, T0 + 12 * DAY_S)
                continue
            around = edge + sign * np.array([-0.02, 0.02])
            mine = above(ephemeris, home if owner == "home" else far, around)
            assert mine[0] < 0.0 < mine[1]
            assert np.minimum(above(ephemeris, home, around), above(ephemeris, far, around))[1] > 0
    assert np.array_equal(in_window, both > 0.0)
    # Where one end's rising meets the other's setting a minute is worth a quarter of a degree.
    assert scanned.highest_deg == pytest.approx(both.max(), abs=0.25)


def test_span_that_begins_and_ends_inside_a_window(ephemeris: Ephemeris) -> None:
    home = End("home", HOME)
    whole = scan(ephemeris, home, home).spans[1]
    start, end = whole.start_utc_s + 3600.5, whole.end_utc_s - 3600.5
    (cut,) = scan(ephemeris, home, home, (end - start) / DAY_S, start).spans
    assert (cut.rise_limited_by, cut.set_limited_by) == (None, None)
    assert cut.start_utc_s == start
    assert cut.end_utc_s == pytest.approx(end, abs=1e-3)


def test_antipodes_never_share_the_moon(ephemeris: Ephemeris) -> None:
    """Seen from opposite ends of the Earth the Moon is below the horizon at one of them at least:
    it comes as near as its parallax allows."""
    home, far = End("home", HOME), End("partner", Site(-50.0, -170.0))
    scanned = scan(ephemeris, home, far, 20.0)
    assert scanned.spans == ()
    assert -1.5 < scanned.highest_deg < 0.0


def test_days_of_moon_at_the_pole(ephemeris: Ephemeris) -> None:
    home = End("home", Site(89.0, 0.0))
    spans = scan(ephemeris, home, home, 60.0).spans
    longest = max(span.end_utc_s - span.start_utc_s for span in spans)
    assert 11 * DAY_S < longest < 14.5 * DAY_S
