"""Cost of a year's forecast by the minute for a pair, against skyfield's own vectorised calls.

    python tests/benchmarks/bench_forecast.py [home] [partner] [days]

Skyfield's side does less than ours: the Moon's elevation, azimuth and distance at both ends from
`.observe().apparent().altaz()`, the Sun's likewise for the angle between them, and the limb-to-limb
spread from ranges to 24 points turned by the WGCCRE series, differenced over 20 s; no noise, no
loss, no turning points. It runs over whole days of minutes in the same process and is compared by
the day; the values are printed too, so that it is seen to be the same thing that is timed. Every
forecast starts with empty tables. Memory is the process's peak, tables and libraries included,
before skyfield's side has run."""

from __future__ import annotations

import importlib.util
import resource
import sys
import time
from pathlib import Path

import astropy_iers_data
import numpy as np
from skyfield.api import load_file, wgs84
from skyfield.data import iers
from skyfield.timelib import Time, Timescale

from moontrim.forecast.compute import forecast
from moontrim.forecast.course import Course, HomeCourse
from moontrim.forecast.question import Antenna, End, ForecastQuestion, Gear, Horizon, Signal
from moontrim.path import Ephemeris, Site, parse_site
from moontrim.path.constants import MOON_RADIUS_KM
from moontrim.path.libration import orientation_deg

F_HZ = 10.368e9
C_KM_S = 299792.458
DAY_S = 86400.0
SKYFIELD_DAYS = 2
LIMB_POINTS = 24
STEP_S = 20.0
LIGHT_S = 1.28


class Direct:
    """The same from skyfield's public calls alone."""

    def __init__(self, home: Site, partner: Site) -> None:
        with Path(astropy_iers_data.IERS_A_FILE).open("rb") as table:
            rows = iers.parse_x_y_dut1_from_finals_all(table)
        daily_tt, delta_t, leap_dates, leap_offsets = iers.build_timescale_arrays(
            rows["utc_mjd"], rows["dut1"]
        )
        self.ts = Timescale((daily_tt, delta_t), leap_dates, leap_offsets)
        iers.install_polar_motion_table(self.ts, rows)
        spec = importlib.util.find_spec("skyfield_data")
        assert spec is not None
        assert spec.submodule_search_locations
        self.kernel = load_file(
            str(Path(spec.submodule_search_locations[0]) / "data" / "de421.bsp")
        )
        self.sites = [
            wgs84.latlon(s.latitude_deg, s.longitude_deg, s.height_m) for s in (home, partner)
        ]

    def time(self, utc_s: np.ndarray) -> Time:
        # UTC is 37 s behind TAI since 2017.
        tt_s = utc_s + 37.0 + 32.184
        return Time(self.ts, 2440587.5 + np.floor(tt_s / DAY_S), tt_s / DAY_S % 1.0)

    def minutes(self, utc_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Elevations (2, N) and spread in Hz (N,)."""
        t = self.time(utc_s)
        moon, sun, earth = self.kernel["moon"], self.kernel["sun"], self.kernel["earth"]
        elevations = []
        for site in self.sites:
            here = (earth + site).at(t)
            look = here.observe(moon).apparent()
            elevation, _, _ = look.altaz()
            look.separation_from(here.observe(sun).apparent())
            elevations.append(elevation.degrees)
        return np.array(elevations), self.spread_hz(utc_s)

    def spread_hz(self, utc_s: np.ndarray) -> np.ndarray:
        late, early = (self.ranges(utc_s, side * STEP_S / 2) for side in (1.0, -1.0))
        rates = (late - early) / STEP_S
        # Over the limb the rate is a sine of the angle; its span is twice the amplitude.
        turns = np.exp(2j * np.pi * np.arange(LIMB_POINTS) / LIMB_POINTS)
        amplitude = 2.0 * np.abs(turns @ rates) / LIMB_POINTS
        return np.asarray(2.0 * amplitude / C_KM_S * F_HZ)

    def ranges(self, utc_s: np.ndarray, offset_s: float) -> np.ndarray:
        """Way partner - point - home (LIMB_POINTS, N), km, arriving offset_s after utc_s; the
        points are those of the limb at utc_s, carried along by the Moon."""
        geocentric = self.kernel["moon"] - self.kernel["earth"]
        arrives, bounces, leaves = (
            self.time(utc_s + offset_s - delay_s) for delay_s in (0.0, LIGHT_S, 2.0 * LIGHT_S)
        )
        still = self.time(utc_s - LIGHT_S)
        middle = geocentric.at(still).position.km
        sight = middle / np.linalg.norm(middle, axis=0)
        one = np.cross(sight, [0.0, 0.0, 1.0], axis=0, axisb=0).reshape(3, -1)
        one /= np.linalg.norm(one, axis=0)
        other = np.cross(sight, one, axis=0)
        angle = np.linspace(0.0, 2.0 * np.pi, LIMB_POINTS, endpoint=False)[:, None, None]
        limb = MOON_RADIUS_KM * (np.cos(angle) * one + np.sin(angle) * other)
        frame, now = (frames(t.tdb - 2451545.0) for t in (still, bounces))
        points = np.einsum("ijn,kjn,akn->ain", now, frame, limb)
        points = points + geocentric.at(bounces).position.km
        home, partner = self.sites
        return np.asarray(
            np.linalg.norm(points - home.at(arrives).position.km, axis=1)
            + np.linalg.norm(points - partner.at(leaves).position.km, axis=1)
        )


def frames(days: np.ndarray) -> np.ndarray:
    """Axes of the Moon (3, 3, N) as columns."""
    a, d, w = (np.radians(x) for x in orientation_deg(days))
    pole = np.array([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)])
    node = np.array([-np.sin(a), np.cos(a), np.zeros_like(a)])
    third = np.cross(pole, node, axis=0)
    prime = np.cos(w) * node + np.sin(w) * third
    return np.stack([prime, np.cross(pole, prime, axis=0), pole], axis=1)


def main(arguments: list[str]) -> None:
    home = parse_site(arguments[0] if arguments else "JN88ee", "home")
    partner = parse_site(arguments[1] if len(arguments) > 1 else "FN20aa", "partner")
    days = float(arguments[2]) if len(arguments) > 2 else 365.0
    gear = Gear(50.0, 0.5, Antenna.of_dish(1.8, 0.5, F_HZ), 70.0, 20.0)
    ephemeris = Ephemeris.load()
    start = ephemeris.table_last_measured_utc_s // DAY_S * DAY_S - days * DAY_S
    ends = End("home", home, Horizon(), gear), End("partner", partner, Horizon(), gear)
    costs = {}
    for span in (days / 8, days / 4, days / 2, days):
        fresh = Ephemeris.load()
        question = ForecastQuestion(
            *ends, F_HZ, start, start + span * DAY_S, None, Signal(25.0, 10.0, -20.0)
        )
        began = time.process_time()
        found = forecast(fresh, question)
        costs[span] = time.process_time() - began
        print(
            f"{span:8.1f} days {len(found.windows):5d} windows {costs[span]:8.3f} s of processor, "
            f"{costs[span] / span * 1000:6.2f} ms a day"
        )
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
    direct = Direct(home, partner)
    utc_s = start + 60.0 * np.arange(1440 * SKYFIELD_DAYS)
    parts = np.array_split(utc_s, SKYFIELD_DAYS * 4)
    began = time.process_time()
    theirs = [direct.minutes(part) for part in parts]
    direct_s = (time.process_time() - began) / SKYFIELD_DAYS
    home_course = HomeCourse(ephemeris, home, start, start + SKYFIELD_DAYS * DAY_S)
    sky = Course(home_course, partner).at(utc_s)
    elevation = np.concatenate([part[0] for part in theirs], axis=1)
    spread = np.concatenate([part[1] for part in theirs])
    off = np.abs(
        elevation - [sky.home.geometric_elevation_deg, sky.far.geometric_elevation_deg]
    ).max()
    off_hz = np.abs(spread - sky.spread_fraction * F_HZ).max()
    print(f"same values: elevations within {off:.4f} degrees, spread within {off_hz:.2f} Hz")
    print(f"skyfield directly {direct_s * 1000:.0f} ms a day")
    print(f"ratio skyfield / forecast: {direct_s / (costs[days] / days):.0f}")


if __name__ == "__main__":
    main(sys.argv[1:])
