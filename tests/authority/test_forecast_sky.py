"""Places in the sky against astropy and ERFA: the Sun, galactic and ecliptic frames, and the
parallactic angle behind the polarisation's turn."""

from __future__ import annotations

import warnings

import erfa
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import (
    GCRS,
    ICRS,
    AltAz,
    BarycentricMeanEcliptic,
    EarthLocation,
    Galactic,
    SkyCoord,
    get_sun,
)
from astropy.time import Time
from astropy.utils import iers
from astropy.utils.exceptions import AstropyWarning

from moontrim.forecast.course import MoonFromEnd
from moontrim.forecast.polarisation import horizon_angle_deg
from moontrim.forecast.sky.galaxy import ecliptic_deg, galactic_deg
from moontrim.forecast.sky.sun import separation_deg, sun_direction, sun_from
from moontrim.path import Ephemeris, Site


def scattered(count: int) -> np.ndarray:
    vectors = np.random.default_rng(5).normal(size=(3, count))
    return np.asarray(vectors / np.linalg.norm(vectors, axis=0))


def test_sun_by_astropy() -> None:
    """1990 to 2040: within 0.012 degrees (the series is good to 0.01)."""
    utc_s = np.linspace(631152000.0, 2208988800.0, 3000)
    with warnings.catch_warnings():
        # Leap seconds to come are not known; a second of the Sun's motion is 1e-5 degrees.
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        when = Time(utc_s, format="unix")
        sun = get_sun(when).transform_to(GCRS(obstime=when)).cartesian.xyz.value
    off = separation_deg(sun_direction(utc_s), sun)
    print(f"worst {off.max():.4f} degrees")
    assert off.max() < 0.012


def test_galactic_and_ecliptic_by_astropy() -> None:
    vectors = scattered(500)
    places = SkyCoord(*vectors, representation_type="cartesian", frame=ICRS())
    theirs = places.transform_to(Galactic())
    longitude, latitude = galactic_deg(vectors)
    assert latitude == pytest.approx(theirs.b.deg, abs=1e-3)
    turn = (longitude - theirs.l.deg + 180.0) % 360.0 - 180.0
    assert np.abs(turn * np.cos(np.radians(latitude))).max() < 1e-3
    theirs = places.transform_to(BarycentricMeanEcliptic(equinox="J2000"))
    longitude, latitude = ecliptic_deg(vectors)
    assert latitude == pytest.approx(theirs.lat.deg, abs=1e-3)
    turn = (longitude - theirs.lon.deg + 180.0) % 360.0 - 180.0
    assert np.abs(turn * np.cos(np.radians(latitude))).max() < 1e-3


def test_the_galactic_centre_is_where_it_is() -> None:
    """Sgr A*: 17h45m40.0s -29d00m28s: longitude 359.944, latitude -0.046 (Reid and Brunthaler 2004,
    from memory)."""
    place = SkyCoord(266.41684 * u.deg, -29.00781 * u.deg).cartesian.xyz.value[:, np.newaxis]
    longitude, latitude = galactic_deg(place)
    assert longitude[0] == pytest.approx(359.944, abs=0.002)
    assert latitude[0] == pytest.approx(-0.046, abs=0.002)


@pytest.mark.parametrize("latitude_deg", [-60.0, -10.0, 0.0, 35.0, 52.0])
def test_parallactic_angle_by_erfa(latitude_deg: float) -> None:
    """SOFA's hd2ae and hd2pa over hour angles and declinations where the Moon can be."""
    hour, declination = np.meshgrid(np.radians(np.arange(-175.0, 180.0, 10.0)),
                                    np.radians([-28.0, -10.0, 5.0, 28.0]))  # fmt: skip
    phi = np.radians(latitude_deg)
    azimuth, elevation = erfa.hd2ae(hour, declination, phi)
    angle = np.degrees(erfa.hd2pa(hour, declination, phi))
    empty = np.zeros((3, 1))
    # Apparent elevations are not used: refraction does not turn the plane of polarisation.
    unused = np.full_like(elevation, np.nan)
    view = MoonFromEnd(np.degrees(azimuth), unused, np.degrees(elevation), empty[0], empty)
    ours = horizon_angle_deg(view, Site(latitude_deg, 0.0))
    assert np.abs((ours - angle + 180.0) % 360.0 - 180.0).max() < 1e-6


def test_the_sun_from_a_site_by_astropy(ephemeris: Ephemeris) -> None:
    """Azimuth and elevation of a year on three sites against astropy's own chain without air:
    within 0.02 degrees, seen on the sky."""
    utc_s = np.linspace(1_770_000_000.0, min(1_800_000_000.0, ephemeris.last_utc_s), 700)
    with warnings.catch_warnings(), iers.conf.set_temp("auto_max_age", None):
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        warnings.simplefilter("ignore", AstropyWarning)
        when = Time(utc_s, format="unix")
        for site in (Site(48.15, 16.29, 200.0), Site(-33.9, 18.4, 10.0), Site(67.9, -135.0, 500.0)):
            place = EarthLocation.from_geodetic(
                site.longitude_deg, site.latitude_deg, site.height_m
            )
            theirs = get_sun(when).transform_to(AltAz(obstime=when, location=place))
            azimuth_deg, apparent_deg = sun_from(ephemeris, site, utc_s)
            high = theirs.alt.deg > 15.0  # where refraction is known without their model
            turn = (azimuth_deg - theirs.az.deg + 180.0) % 360.0 - 180.0
            sideways = np.abs(turn * np.cos(np.radians(theirs.alt.deg)))
            assert high.sum() > 100 and sideways.max() < 0.02
            bent_deg = apparent_deg[high] - theirs.alt.deg[high]
            assert bent_deg.min() > -0.02 and bent_deg.max() < 0.1
