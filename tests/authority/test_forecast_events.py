"""Rising and setting, distances, libration, perigee and new Moon against NAIF's toolkit, astropy
and printed cases. Elevations are theirs, of the Moon's centre and geometric; for rising and setting
the refraction of `path.refraction` is added, which `test_troposphere_rays` holds by itself."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from datetime import UTC, datetime

import astropy_iers_data
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, get_body
from astropy.time import Time
from astropy.utils import iers

from authority import naif
from moontrim.forecast.circumstances import find_moon_events
from moontrim.forecast.compute import forecast
from moontrim.forecast.question import End, ForecastQuestion, Horizon
from moontrim.path import Ephemeris, Site
from moontrim.path.libration import orientation_deg
from moontrim.path.refraction import apparent_elevation_deg

DAY_S = 86400.0
T0 = datetime(2025, 2, 3, tzinfo=UTC).timestamp()
SITES = (
    Site(52.0, 0.0, 100.0),
    Site(-35.0, 150.0, 700.0),
    Site(64.8, -147.7, 130.0),
    Site(1.0, 38.0),
)
TIMES_S, DISTANCE_KM = 5.0, 1.0


def up_of(site: Site) -> np.ndarray:
    latitude, longitude = np.radians([site.latitude_deg, site.longitude_deg])
    return np.array(
        [
            np.cos(latitude) * np.cos(longitude),
            np.cos(latitude) * np.sin(longitude),
            np.sin(latitude),
        ]
    )


def naif_elevation(site: Site) -> Callable[[float], float]:
    """Apparent elevation by DE440, NAIF's own Earth orientation and refraction, degrees."""
    itrf = naif.itrf_km(site.latitude_deg, site.longitude_deg, site.height_m)
    up = up_of(site)

    def elevation(utc_s: float) -> float:
        et = naif.tdb(utc_s)
        to_earth = np.asarray(naif.spiceypy.pxform("J2000", "ITRF93", et))
        sight = to_earth @ naif.moon_km(et) - itrf
        geometric = float(np.degrees(np.arcsin(sight @ up / np.linalg.norm(sight))))
        return float(apparent_elevation_deg(geometric, site.height_m))

    return elevation


def crossing(elevation: Callable[[float], float], level_deg: float, near_utc_s: float) -> float:
    """By bisection within two minutes either side."""
    low, high = near_utc_s - 120.0, near_utc_s + 120.0
    rises = elevation(low) < level_deg
    assert rises != (elevation(high) < level_deg)
    for _ in range(30):
        middle = 0.5 * (low + high)
        if (elevation(middle) < level_deg) == rises:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@pytest.mark.parametrize("site", SITES)
@pytest.mark.parametrize("level_deg", [0.0, 12.0])
def test_rising_and_setting_by_naif(ephemeris: Ephemeris, site: Site, level_deg: float) -> None:
    """Every rising and setting of four weeks; measured: within 0.02 s."""
    naif.load_kernels()
    home = End("home", site, Horizon(level_deg))
    windows = forecast(ephemeris, ForecastQuestion(home, None, 1e9, T0, T0 + 28 * DAY_S)).windows
    elevation = naif_elevation(site)
    worst, events = 0.0, 0
    for window in windows:
        for at_utc_s, owner in (
            (window.start_utc_s, window.rise_limited_by),
            (window.end_utc_s, window.set_limited_by),
        ):
            if owner is not None:
                worst = max(worst, abs(at_utc_s - crossing(elevation, level_deg, at_utc_s)))
                events += 1
    assert events >= 18
    print(f"{events} events, worst {worst:.4f} s")
    assert worst < TIMES_S


def test_a_pair_by_naif(ephemeris: Ephemeris) -> None:
    """Windows of a pair open when the later one rises and close when the earlier one sets."""
    naif.load_kernels()
    ends = End("home", SITES[0]), End("partner", SITES[1])
    windows = forecast(ephemeris, ForecastQuestion(*ends, 1e9, T0, T0 + 28 * DAY_S)).windows
    assert len(windows) >= 10
    by_name = {"home": naif_elevation(SITES[0]), "partner": naif_elevation(SITES[1])}
    for window in windows:
        for at_utc_s, owner in (
            (window.start_utc_s, window.rise_limited_by),
            (window.end_utc_s, window.set_limited_by),
        ):
            assert owner is not None
            assert abs(at_utc_s - crossing(by_name[owner], 0.0, at_utc_s)) < TIMES_S
            assert min(f(at_utc_s) for f in by_name.values()) > -0.02


def test_rising_and_setting_by_astropy(ephemeris: Ephemeris) -> None:
    """Astropy's own Moon (ELP2000-82 by ERFA) and Earth orientation (IERS A): an apparent place, so
    light time and aberration are in it; refraction is added to it. Measured: within 0.4 s."""
    table = iers.IERS_A.open(astropy_iers_data.IERS_A_FILE)
    site = SITES[0]
    place = EarthLocation.from_geodetic(
        site.longitude_deg * u.deg, site.latitude_deg * u.deg, site.height_m * u.m
    )
    windows = forecast(
        ephemeris, ForecastQuestion(End("home", site), None, 1e9, T0, T0 + 10 * DAY_S)
    ).windows
    events = [
        at_utc_s
        for w in windows
        for at_utc_s, owner in ((w.start_utc_s, w.rise_limited_by), (w.end_utc_s, w.set_limited_by))
        if owner is not None
    ]
    assert len(events) >= 18
    around = np.array(events)[:, np.newaxis] + np.array([-20.0, 20.0])
    with iers.conf.set_temp("auto_download", False), iers.earth_orientation_table.set(table):
        when = Time(around.ravel(), format="unix")
        frame = AltAz(obstime=when, location=place)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            look = get_body("moon", when, place, ephemeris="builtin").transform_to(frame)
    elevation = apparent_elevation_deg(look.alt.deg, site.height_m).reshape(around.shape)
    # The zero of the chord over 40 s.
    off_s = -20.0 - 40.0 * elevation[:, 0] / (elevation[:, 1] - elevation[:, 0])
    print(f"worst {np.abs(off_s).max():.3f} s")
    assert np.abs(off_s).max() < TIMES_S


def test_distance_by_naif(ephemeris: Ephemeris) -> None:
    naif.load_kernels()
    ends = End("home", SITES[0]), End("partner", SITES[1])
    windows = forecast(ephemeris, ForecastQuestion(*ends, 1e9, T0, T0 + 10 * DAY_S)).windows
    itrf = [naif.itrf_km(e.site.latitude_deg, e.site.longitude_deg, e.site.height_m) for e in ends]
    worst = 0.0
    for window in windows:
        s = window.series
        for k in range(0, s.utc_s.size, 50):
            et = naif.tdb(float(s.utc_s[k]))
            for place, series in zip(itrf, (s.home, s.far), strict=True):
                theirs = np.linalg.norm(naif.moon_km(et) - naif.station_km(place, et))
                worst = max(worst, abs(float(theirs) - float(series.distance_km[k])))
    print(f"worst {worst * 1000:.2f} m")
    assert worst < DISTANCE_KM


def test_perigees_and_new_moons_by_naif(ephemeris: Ephemeris) -> None:
    """A year: least distance to a minute and 1 km; new Moon to three minutes."""
    naif.load_kernels()
    events = find_moon_events(ephemeris, T0, T0 + 365 * DAY_S)
    assert len(events.perigees) in (13, 14, 15) and len(events.new_moons_utc_s) in (12, 13)

    def distance(utc_s: float) -> float:
        return float(np.linalg.norm(naif.moon_km(naif.tdb(utc_s))))

    for perigee in events.perigees:
        at = perigee.at_utc_s
        assert distance(at) == pytest.approx(perigee.distance_km, abs=1.0)
        # The slope changes its sign within two minutes.
        before, after = (
            distance(at + side + 30.0) - distance(at + side - 30.0) for side in (-120.0, 120.0)
        )
        assert before < 0.0 < after

    def lead_deg(utc_s: float) -> float:
        et = naif.tdb(utc_s)
        to_ecliptic = np.asarray(naif.spiceypy.pxform("J2000", "ECLIPJ2000", et))
        sun = np.asarray(naif.spiceypy.spkezp(10, et, "J2000", "LT+S", naif.EARTH)[0])
        moon = np.asarray(naif.spiceypy.spkezp(naif.MOON, et, "J2000", "LT+S", naif.EARTH)[0])
        x, y = (to_ecliptic @ moon)[:2], (to_ecliptic @ sun)[:2]
        return float(np.degrees(np.arctan2(y[0] * x[1] - y[1] * x[0], x @ y)))

    for at in events.new_moons_utc_s:
        assert lead_deg(at - 180.0) < 0.0 < lead_deg(at + 180.0)


def test_meeus_libration() -> None:
    """Meeus, Astronomical Algorithms (1998), example 53.a, 1992-04-12 0h TD: total libration l
    -1.23, b +4.20 (figures from memory; DE421's mean-Earth frame has b 4.175, a known difference of
    frames). Moon of example 47.a: lambda 133.162655, beta -3.229126 degrees of date."""
    t = (2448724.5 - 2451545.0) / 36525.0
    obliquity = np.radians(23.4392911 - 0.0130042 * t)
    # Nutation in longitude is in Meeus's apparent lambda; he gives 133.167265 with it.
    longitude, latitude = np.radians([133.162655, -3.229126])
    x, y, z = (
        np.cos(latitude) * np.cos(longitude),
        np.cos(latitude) * np.sin(longitude) * np.cos(obliquity)
        - np.sin(latitude) * np.sin(obliquity),
        np.cos(latitude) * np.sin(longitude) * np.sin(obliquity)
        + np.sin(latitude) * np.cos(obliquity),
    )
    of_date = np.array([x, y, z])
    # Precession from the date to J2000 (IAU 1976, Meeus ch. 21), arcseconds.
    zeta, zed, theta = (
        np.radians(value / 3600.0)
        for value in (
            2306.2181 * t + 0.30188 * t**2,
            2306.2181 * t + 1.09468 * t**2,
            2004.3109 * t - 0.42665 * t**2,
        )
    )

    def about_z(angle: float) -> np.ndarray:
        c, s = np.cos(angle), np.sin(angle)
        return np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])

    c, s = np.cos(theta), np.sin(theta)
    about_y = np.array([[c, 0.0, -s], [0.0, 1.0, 0.0], [s, 0.0, c]])
    to_date = about_z(-zed) @ about_y @ about_z(-zeta)
    moon = to_date.T @ of_date
    ascension, declination, meridian = (
        float(np.radians(value)) for value in orientation_deg(np.array(2448724.5 - 2451545.0))
    )
    pole = np.array(
        [
            np.cos(declination) * np.cos(ascension),
            np.cos(declination) * np.sin(ascension),
            np.sin(declination),
        ]
    )
    node = np.array([-np.sin(ascension), np.cos(ascension), 0.0])
    prime = np.cos(meridian) * node + np.sin(meridian) * np.cross(pole, node)
    earth = -moon
    b = np.degrees(np.arcsin(earth @ pole))
    l = np.degrees(np.arctan2(earth @ np.cross(pole, prime), earth @ prime))  # noqa: E741
    assert l == pytest.approx(-1.23, abs=0.02)
    assert b == pytest.approx(4.20, abs=0.03)
