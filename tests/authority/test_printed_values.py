"""Numbers printed by others: JPL, HORIZONS, Meeus, WGCCRE, NASA SVS, Niell, IERS, Saastamoinen."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from jplephem.spk import SPK

from authority.niell import day_of_year, niell
from moontrim.path import Ephemeris, Site, moon_from
from moontrim.path.libration import orientation_deg
from moontrim.path.troposphere import (
    reference_vapour_pressure_hpa,
    standard_pressure_hpa,
    standard_temperature_k,
    zenith_hydrostatic_m,
    zenith_wet_m,
)

AU_KM = 149597870.7
J2000_UTC_S = 946728000.0


def utc_of_tdb(jd: float, tai_minus_utc_s: float = 37.0) -> float:
    """POSIX seconds of a Julian date TDB."""
    g = np.radians(357.53 + 0.98560028 * (jd - 2451545.0))
    tdb_minus_tt = 0.001657 * np.sin(g)
    return float((jd - 2440587.5) * 86400.0 - tai_minus_utc_s - 32.184 - tdb_minus_tt)


# JPL DE441 with ITRF93, site 30 N 280 E 1000 m, geometric: JD TDB, range km, range rate km/s.
# Tables of the public repository cosinekitty/astronomy, commit 865d3da (generate/topostate,
# generate/lagrange).
JPL_ROWS = (
    (2459534.50, 394045.946879, -0.2308673812),
    (2459534.75, 394984.075105, +0.3122218188),
    (2459535.00, 403237.218182, +0.3091439216),
    (2459535.25, 404227.219275, -0.2240995884),
    (2459535.50, 397248.884086, -0.2812200402),
    (2459535.75, 396712.422999, +0.2515130298),
    (2459536.50, 400023.522563, -0.3189637109),
    (2459537.00, 405361.280733, +0.3612775263),
    (2459537.75, 399078.952864, +0.1072909893),
    (2459538.50, 404201.691594, -0.3554944576),
)
# DE421 against DE441, measured: 1.2e-4 km and 3.0e-9 km/s (0.0001 Hz one way at 10.368 GHz).
JPL_RANGE_KM = 2e-4
JPL_RATE_KM_S = 5e-9


@pytest.mark.parametrize(("jd", "range_km", "rate_km_s"), JPL_ROWS)
def test_jpl_range_and_range_rate(
    ephemeris: Ephemeris, jd: float, range_km: float, rate_km_s: float
) -> None:
    site, utc_s = Site(30.0, -80.0, 1000.0), utc_of_tdb(jd)

    def distance(offset_s: float) -> float:
        sight = ephemeris.moon_km(utc_s, offset_s) - ephemeris.station_km(site, utc_s, offset_s)
        return float(np.linalg.norm(sight))

    rate = (8 * (distance(20) - distance(-20)) - (distance(40) - distance(-40))) / 240.0
    print(f"range off {distance(0.0) - range_km:.2e} km, rate off {rate - rate_km_s:.2e} km/s")
    assert abs(distance(0.0) - range_km) < JPL_RANGE_KM
    assert abs(rate - rate_km_s) < JPL_RATE_KM_S
    assert abs(float(moon_from(ephemeris, site, utc_s).distance_km) - range_km) < JPL_RANGE_KM


# HORIZONS observer tables (DE441): geocentric light-time-corrected distance of the Moon, AU.
HORIZONS_DELTA = (
    (1769014800.0, 37.0, 0.00257937606636),  # 2026-01-21 17:00 UT
    (1769187600.0, 37.0, 0.00253595437920),  # 2026-01-23 17:00 UT
    (1769360400.0, 37.0, 0.00249523988961),  # 2026-01-25 17:00 UT
    (1262304000.0, 34.0, 0.00240220510392),  # 2010-01-01 00:00 UT
)
HORIZONS_KM = 1e-3  # measured: 4.5e-4


@pytest.mark.parametrize(("utc_s", "tai_minus_utc_s", "delta_au"), HORIZONS_DELTA)
def test_horizons_light_time_distance(
    ephemeris: Ephemeris, utc_s: float, tai_minus_utc_s: float, delta_au: float
) -> None:
    """HORIZONS corrects for light time in the barycentric frame, in which the Earth moves 38 km
    meanwhile; that motion comes straight from the kernel here."""
    spec = importlib.util.find_spec("skyfield_data")
    assert spec is not None
    assert spec.submodule_search_locations
    path = Path(spec.submodule_search_locations[0]) / "data" / "de421.bsp"
    kernel = SPK.open(str(path))
    try:
        tdb = utc_s + tai_minus_utc_s + 32.184
        jd = 2440587.5 + tdb // 86400.0

        def earth(offset_s: float) -> np.ndarray:
            part = (tdb % 86400.0 + offset_s) / 86400.0
            return np.asarray(kernel[0, 3].compute(jd, part) + kernel[3, 399].compute(jd, part))

        light_s = 1.28
        for _ in range(4):
            moved = earth(-light_s) - earth(0.0)
            distance = float(np.linalg.norm(ephemeris.moon_km(utc_s, -light_s)[:, 0] + moved))
            light_s = distance / 299792.458
    finally:
        kernel.close()
    print(f"off by {distance - delta_au * AU_KM:.2e} km")
    assert abs(distance - delta_au * AU_KM) < HORIZONS_KM


def test_meeus_distance(ephemeris: Ephemeris) -> None:
    """Meeus, Astronomical Algorithms (1998), example 47.a: 368409.7 km at 1992-04-12 0h TD by a
    shortened series; DE440 has 368405.543 km (4.2 km less), the full theory 368405.6 km."""
    utc_s = 703036800.0 - 26.0 - 32.184
    distance = float(np.linalg.norm(ephemeris.moon_km(utc_s)))
    assert abs(distance - 368409.7) < 4.3
    assert abs(distance - 368405.543) < 2e-3


def test_wgccre_orientation_at_the_epoch() -> None:
    """Archinal et al. 2018, table 2, summed at d = 0, to six decimals."""
    ascension, declination, meridian = orientation_deg(np.array(0.0))
    assert abs(float(ascension) - 266.857733) < 1e-6
    assert abs(float(declination) - 65.641103) < 1e-6
    assert abs(float(meridian) - 41.195264) < 1e-6


def test_sub_earth_point_of_nasa_svs(ephemeris: Ephemeris) -> None:
    """NASA SVS mooninfo_2021, 2021-01-01 00:00 UT: sub-Earth longitude -5.232, latitude -4.624 deg;
    the WGCCRE series is good to 0.005 deg and the table corrects for light time (0.0002 deg)."""
    utc_s = 1609459200.0
    days = np.array((utc_s + 69.184 - J2000_UTC_S) / 86400.0)
    ascension, declination, meridian = (float(np.radians(x)) for x in orientation_deg(days))
    pole = np.array(
        [
            np.cos(declination) * np.cos(ascension),
            np.cos(declination) * np.sin(ascension),
            np.sin(declination),
        ]
    )
    node = np.array([-np.sin(ascension), np.cos(ascension), 0.0])
    prime = np.cos(meridian) * node + np.sin(meridian) * np.cross(pole, node)
    earth = -ephemeris.moon_km(utc_s)[:, 0]
    latitude = np.degrees(np.arcsin(earth @ pole / np.linalg.norm(earth)))
    longitude = np.degrees(np.arctan2(earth @ np.cross(pole, prime), earth @ prime))
    assert abs(longitude - -5.232) < 0.006
    assert abs(latitude - -4.624) < 0.006


def test_saastamoinen_zenith() -> None:
    """2.3070 m at 1013.25 hPa, 45 deg, sea level (IERS Conventions 2010, eq. 9.4)."""
    assert abs(zenith_hydrostatic_m(1013.25, 45.0, 0.0) - 2.3070) < 5e-5


def test_wet_zenith_is_in_the_usual_range() -> None:
    """0.05 to 0.35 m (common practice) in the reference atmosphere at low heights."""
    for height_m in (0.0, 500.0, 1000.0):
        wet = zenith_wet_m(
            standard_temperature_k(height_m), reference_vapour_pressure_hpa(height_m)
        )
        assert 0.05 < wet < 0.35


@pytest.mark.parametrize(
    ("height_m", "pressure_hpa"), [(0.0, 1013.25), (1000.0, 898.75), (5000.0, 540.20)]
)
def test_standard_pressure(height_m: float, pressure_hpa: float) -> None:
    """ISO 2533 by geopotential height (values typed from memory), to the last printed digit."""
    assert abs(standard_pressure_hpa(height_m) - pressure_hpa) < 0.006


def test_niell_against_orekit_case() -> None:
    """Mercier and Perosanz, as quoted in Orekit's tests: lat 48, 68 m, 1994-01-01 0h, 5 deg
    elevation: 10.16 hydrostatic, 10.75 wet, to their two decimals."""
    assert float(day_of_year(757382400.0)) == 1.0
    hydrostatic, wet = niell(5.0, 48.0, 68.0, 1.0)
    assert abs(float(hydrostatic) - 10.16) < 0.005
    assert abs(float(wet) - 10.75) < 0.005


def test_niell_against_gmf() -> None:
    """IERS Conventions 2010, chapter 9 software, test case of GMF (Green Bank, MJD 55055): Niell's
    and the global mapping function agree to 1e-4 there."""
    elevation_deg = 90.0 - np.degrees(1.278564131)
    day = float(day_of_year((55055 - 40587) * 86400.0))
    assert day == 224.0
    hydrostatic, wet = niell(elevation_deg, np.degrees(0.6708665767), 844.715, day)
    assert abs(float(hydrostatic) - 3.425245519339138678) < 1.2e-4
    assert abs(float(wet) - 3.449589116182419257) < 1e-4
