"""Cost of the delay model against asking skyfield directly for the same two-leg value.

    python tests/benchmarks/bench_delay_model.py [home] [partner]

Skyfield's side does by hand what the model has already done: both legs by light-time iteration to
the reflection point on positions from `.at()`, at two instants 20 s apart, differenced. Both sides
run in this process, one after the other, several times; the best of each counts. The values are
printed too, so that it is seen to be the same thing that is timed; so plain a difference, in the
table's own terrestrial frame, is good to about 0.003 Hz."""

from __future__ import annotations

import importlib.util
import statistics
import sys
import timeit
from datetime import UTC, datetime, timedelta
from pathlib import Path

import astropy_iers_data
import numpy as np
from skyfield.api import load_file, wgs84
from skyfield.data import iers
from skyfield.timelib import Timescale

from moontrim.path import LEGS, DelayModel, Ephemeris, parse_site, solve_path
from moontrim.path.constants import MOON_RADIUS_KM
from moontrim.path.delay import first_normal, improved_normal

F_HZ = 10.368e9
C_KM_S = 299792.458
STEP_S = 10.0


class Direct:
    """The path from partner to home from skyfield's public calls alone."""

    def __init__(self, home: object, partner: object) -> None:
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
        folder = Path(spec.submodule_search_locations[0]) / "data"
        self.kernel = load_file(str(folder / "de421.bsp"))
        self.moon = self.kernel["moon"] - self.kernel["earth"]
        self.home, self.partner = (
            wgs84.latlon(s.latitude_deg, s.longitude_deg, s.height_m)  # type: ignore[attr-defined]
            for s in (home, partner)
        )

    def delay_s(self, utc_s: float) -> float:
        def at(offset_s: float) -> object:
            moment = datetime.fromtimestamp(0, UTC) + timedelta(seconds=utc_s + offset_s)
            return self.ts.from_datetime(moment)

        here = self.home.at(at(0.0)).position.km
        up = down = 1.28
        normal = None
        for _ in range(4):
            moon = self.moon.at(at(-down)).position.km
            there = self.partner.at(at(-down - up)).position.km
            if normal is None:
                normal = first_normal(moon, here, there)
            for _ in range(2):
                normal = improved_normal(moon, here, there, normal)
            point = moon + MOON_RADIUS_KM * normal
            down = float(np.linalg.norm(point - here)) / C_KM_S
            up = float(np.linalg.norm(point - there)) / C_KM_S
        return up + down

    def fraction(self, utc_s: float) -> float:
        return -(self.delay_s(utc_s + STEP_S) - self.delay_s(utc_s - STEP_S)) / (2 * STEP_S)


def best_s(call: object, number: int) -> float:
    return min(timeit.repeat(call, number=number, repeat=7)) / number  # type: ignore[arg-type]


def main(arguments: list[str]) -> None:
    home = parse_site(arguments[0] if arguments else "JN88ee", "home")
    partner = parse_site(arguments[1] if len(arguments) > 1 else "FN20aa", "partner")
    ephemeris = Ephemeris.load()
    utc_s = ephemeris.table_last_measured_utc_s - 1e6
    direct = Direct(home, partner)
    model = DelayModel(ephemeris, home, partner, troposphere=False)
    model.prepare(utc_s)
    ours, theirs = model.leg("partner_to_home", utc_s).fraction, direct.fraction(utc_s)
    print(f"same value: {ours * F_HZ:.4f} Hz and {theirs * F_HZ:.4f} Hz at 10.368 GHz")
    with_air = DelayModel(ephemeris, home, partner)
    with_air.prepare(utc_s)
    key = int(utc_s // 3600)
    direct_s = best_s(lambda: direct.fraction(utc_s), 3)
    leg_s = best_s(lambda: model.leg("partner_to_home", utc_s), 5000)
    rows = (
        ("skyfield directly, partner to home", direct_s),
        ("exact solution, all legs",
         best_s(lambda: solve_path(ephemeris, home, partner, utc_s), 5)),
        ("fit of one hour", best_s(lambda: model._fit(key), 10)),
        ("model, partner to home, vacuum", leg_s),
        ("model, same with troposphere",
         best_s(lambda: with_air.leg("partner_to_home", utc_s), 5000)),
        ("model, one-way leg with troposphere",
         best_s(lambda: with_air.leg("moon_to_home", utc_s), 5000)),
        ("model, all legs", best_s(lambda: [with_air.leg(name, utc_s) for name in LEGS], 2000)),
        ("prepare with nothing to do", best_s(lambda: model.prepare(utc_s), 5000)),
        ("load the tables", statistics.median(timeit.repeat(Ephemeris.load, number=1, repeat=3))),
    )  # fmt: skip
    for name, seconds in rows:
        print(f"{name:38} {seconds * 1e6:12.2f} us")
    print(f"ratio skyfield / model: {direct_s / leg_s:.0f}")


if __name__ == "__main__":
    main(sys.argv[1:])
