"""Spread and rotation of the Moon against the DE421 lunar frames (NAIF's files, spiceypy)."""

from __future__ import annotations

import numpy as np

from authority import naif
from moontrim.path import Ephemeris, Site, moon_from, solve_path
from moontrim.path.libration import orientation_deg, rotation_rad_per_s

F_HZ = 10.368e9
RELATIVE = 0.01
# Near a minimum the ends cancel and a share of nothing says nothing.
ABSOLUTE_HZ = 0.01
LIMB_POINTS = 720
# The frame kernel is read at absolute seconds, good to 1e-7 s: 1e-9 relative over this step.
STEP_S = 60.0


def moon_frame(et: float) -> np.ndarray:
    return np.asarray(naif.spiceypy.pxform("MOON_ME", "J2000", et))


def brute_force_hz(home: Site, partner: Site | None, utc_s: float, legs: tuple[str, ...]) -> float:
    """Width in Hz of the range rates of points fixed on the limb, from differences of ranges."""
    et = naif.tdb(utc_s)
    far = partner or home
    ends = []
    # Arrival at home: the bounce is 1.28 s earlier, the partner's sending 2.56 s.
    for site, delay_s in ((home, 0.0), (far, 2.56)):
        itrf = naif.itrf_km(site.latitude_deg, site.longitude_deg, site.height_m)
        ends.append((itrf, et - delay_s))
    if legs == ("down",):
        ends = ends[:1]
    bounce = et - 1.28
    moon = naif.moon_km(bounce)
    sights = [moon - naif.station_km(itrf, t) for itrf, t in ends]
    sight = np.sum([s / np.linalg.norm(s) for s in sights], axis=0)
    sight /= np.linalg.norm(sight)
    one = np.cross(sight, [0.0, 0.0, 1.0])
    one /= np.linalg.norm(one)
    other = np.cross(sight, one)
    angle = np.linspace(0.0, 2.0 * np.pi, LIMB_POINTS, endpoint=False)
    limb = naif.RADIUS_KM * (np.outer(one, np.cos(angle)) + np.outer(other, np.sin(angle)))
    fixed = moon_frame(bounce).T @ limb

    def ranges(offset_s: float) -> np.ndarray:
        points = naif.moon_km(bounce + offset_s)[:, None] + moon_frame(bounce + offset_s) @ fixed
        return np.asarray(
            sum(
                np.linalg.norm(points - naif.station_km(itrf, t + offset_s)[:, None], axis=0)
                for itrf, t in ends
            )
        )

    rates = (ranges(STEP_S / 2) - ranges(-STEP_S / 2)) / STEP_S
    return float(np.ptp(rates)) / naif.C_KM_S * F_HZ


def test_spread_against_limb_points(ephemeris: Ephemeris) -> None:
    """100 random pairs and own echoes with the Moon up at both ends, one-way legs too: 1 %."""
    naif.load_kernels()
    naif.load_moon_frames()
    rng = np.random.default_rng(22)
    done, worst, smallest = 0, 0.0, np.inf
    while done < 100:
        utc_s = float(rng.uniform(1420070400.0, ephemeris.table_last_measured_utc_s - 86400.0))
        home, far = (
            Site(float(np.degrees(np.arcsin(rng.uniform(-1, 1)))), float(rng.uniform(-180, 180)))
            for _ in range(2)
        )
        partner = None if done % 4 == 0 else far
        looks = [moon_from(ephemeris, site, utc_s) for site in (home, partner or home)]
        if min(float(look.elevation_deg) for look in looks) < 0.0:
            continue
        done += 1
        legs = solve_path(ephemeris, home, partner, utc_s).legs
        for name, ways in (("partner_to_home", ("up", "down")), ("moon_to_home", ("down",))):
            ours = float(legs[name].spread_fraction) * F_HZ  # type: ignore[index]
            theirs = brute_force_hz(home, partner, utc_s, ways)
            smallest = min(smallest, theirs)
            worst = max(worst, abs(ours - theirs) / theirs)
            assert abs(ours - theirs) < max(RELATIVE * theirs, ABSOLUTE_HZ), (ours, theirs)
    print(f"largest relative difference {worst:.2e}, smallest spread {smallest:.2f} Hz")


def test_rotation_vector_against_the_lunar_frame() -> None:
    """WGCCRE series within 0.005 deg and its analytic rate within 0.1 % of the DE421 frame."""
    naif.load_moon_frames()
    for utc_s in np.linspace(1420070400.0, 1790000000.0, 40):
        et = naif.tdb(float(utc_s))
        days = np.array(et / 86400.0)
        ascension, declination, _ = (np.radians(x) for x in orientation_deg(days))
        pole = np.array(
            [
                np.cos(declination) * np.cos(ascension),
                np.cos(declination) * np.sin(ascension),
                np.sin(declination),
            ]
        )
        frame = moon_frame(et)
        assert np.degrees(np.linalg.norm(pole - frame[:, 2])) < 0.005
        matrix = np.asarray(naif.spiceypy.sxform("J2000", "MOON_ME", et))
        _, theirs = naif.spiceypy.xf2rav(matrix)
        ours = rotation_rad_per_s(days)[:, 0]
        assert np.linalg.norm(ours - theirs) < 1e-3 * np.linalg.norm(theirs)
