"""Blocks against direct evaluation, block edges, leap seconds, the table's range and sigmas."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path

import astropy_iers_data
import numpy as np
import pytest

from moontrim.errors import CoverageError
from moontrim.path import Ephemeris, Site
from moontrim.path.chebyshev import fit_matrix, nodes
from moontrim.path.constants import SPEED_OF_LIGHT_KM_S
from moontrim.path.earthorientation import TT_MINUS_TAI_S, UNIX_JD, DailyCurve

F_HZ = 10.368e9
SITE = Site(-20.0, 110.0, 500.0)
DAY_S = 86400.0


def random_utc_s(ephemeris: Ephemeris, count: int) -> np.ndarray:
    rng = np.random.default_rng(11)
    return rng.uniform(ephemeris.first_utc_s, ephemeris.last_utc_s, count)


def test_blocks_against_direct_evaluation(ephemeris: Ephemeris) -> None:
    """1e-7 km asked; 2e-9 km (2 micrometres) found, the rounding of the kernel's own arithmetic."""
    utc_s = random_utc_s(ephemeris, 300)
    tai_s, rest_s = ephemeris.split(utc_s)
    day, second = np.divmod(tai_s, 86400)
    direct = ephemeris.evaluate_directly(
        (UNIX_JD + day).astype(float), (second + rest_s + TT_MINUS_TAI_S) / DAY_S
    )
    station = np.einsum("ijn,j->in", direct[3:].reshape(3, 3, -1), SITE.itrs_km())
    assert np.max(np.abs(direct[:3] - ephemeris.moon_km(utc_s))) < 2e-9
    assert np.max(np.abs(station - ephemeris.station_km(SITE, utc_s))) < 2e-9


def test_no_kink_across_block_edges(ephemeris: Ephemeris) -> None:
    """Range and its rate from the blocks left and right of an edge: 1e-5 Hz at 10.368 GHz."""
    edges = np.round(random_utc_s(ephemeris, 100) / 21600.0) * 21600.0
    # Half a second before an edge belongs to the left block, the edge itself to the right one.
    for edge in edges:
        rates = []
        for utc_s, shift_s in ((edge - 60.0, 60.0), (edge + 60.0, -60.0)):
            spots = [
                float(
                    np.linalg.norm(
                        ephemeris.moon_km(utc_s, shift_s + k)
                        - ephemeris.station_km(SITE, utc_s, shift_s + k)
                    )
                )
                for k in (-40.0, -20.0, 20.0, 40.0)
            ]
            rates.append((8 * (spots[2] - spots[1]) - (spots[3] - spots[0])) / 240.0)
        assert abs(rates[0] - rates[1]) / SPEED_OF_LIGHT_KM_S * F_HZ < 1e-5


def test_answers_do_not_depend_on_the_company(ephemeris: Ephemeris) -> None:
    utc_s = random_utc_s(ephemeris, 50)
    together = ephemeris.moon_km(utc_s)
    fresh = Ephemeris.load()
    alone = np.concatenate([fresh.moon_km(t) for t in utc_s[::-1]], axis=1)[:, ::-1]
    assert np.max(np.abs(together - alone)) < 1e-9


def test_leap_second_of_2016(ephemeris: Ephemeris) -> None:
    """UTC 2016-12-31 23:59:59 to 2017-01-01 00:00:00 took two seconds: the Moon moved twice as far,
    and 2 SI seconds after the one is the other."""
    midnight = 1483228800.0
    before, after = ephemeris.moon_km(midnight - 1.0), ephemeris.moon_km(midnight)
    assert np.max(np.abs(ephemeris.moon_km(midnight - 1.0, 2.0) - after)) < 1e-9
    earlier = ephemeris.moon_km(midnight - 2.0)
    moved = np.linalg.norm(after - before) / np.linalg.norm(before - earlier)
    assert abs(moved - 2.0) < 1e-5
    assert ephemeris.tai_minus_utc_s(midnight - 1.0) == 36
    assert ephemeris.tai_minus_utc_s(midnight) == 37
    # IERS Bulletin C 52: UT1-UTC rises by one second there.
    jump = (
        ephemeris.earth_orientation(midnight).ut1_minus_utc_s
        - ephemeris.earth_orientation(midnight - 1.0).ut1_minus_utc_s
    )
    assert abs(jump - 1.0) < 1e-6


@pytest.mark.parametrize(
    ("utc_s", "tai_minus_utc_s"),
    [
        (94824000.0, 12),  # 1973
        (662688000.0, 26),  # 1991-01-01
        (1136073600.0, 33),  # 2006-01-01
        (1435708800.0, 36),  # 2015-07-01
        (1435708799.0, 35),
    ],
)
def test_leap_seconds_of_iers(ephemeris: Ephemeris, utc_s: float, tai_minus_utc_s: int) -> None:
    """IERS Bulletin C (offsets typed from memory)."""
    assert ephemeris.tai_minus_utc_s(utc_s) == tai_minus_utc_s


def test_table_values_are_met_on_their_days(ephemeris: Ephemeris) -> None:
    """First rows of finals2000A.all, read here by eye: 1973-01-03, UT1-UTC 0.8056163 s."""
    rotation = ephemeris.earth_orientation(94867200.0)
    assert abs(rotation.ut1_minus_utc_s - 0.8056163) < 1e-7
    assert abs(rotation.pole_x_arcsec - 0.118980) < 1e-6
    assert abs(rotation.pole_y_arcsec - 0.135656) < 1e-6
    assert abs(rotation.uncertainty_s - 0.0002710) < 1e-7
    assert not rotation.predicted


def test_the_predicted_part_says_so_and_grows(ephemeris: Ephemeris) -> None:
    last = ephemeris.table_last_measured_utc_s
    assert not ephemeris.earth_orientation(last - DAY_S).predicted
    later = [ephemeris.earth_orientation(last + days * DAY_S) for days in (1, 10, 40, 90, 200, 350)]
    assert all(rotation.predicted for rotation in later)
    sigmas = [ephemeris.earth_orientation(last - DAY_S).uncertainty_s] + [
        rotation.uncertainty_s for rotation in later
    ]
    assert all(a < b for a, b in pairwise(sigmas))


def test_daily_curve_is_smooth_and_follows_tides() -> None:
    """A fortnightly tide of 0.8 ms sampled daily comes back to 1 microsecond; no kink at a knot."""
    day = np.arange(100.0)
    curve = DailyCurve(day, 8e-4 * np.sin(2 * np.pi * day / 13.66))
    t = np.linspace(10, 80, 5000)
    assert np.max(np.abs(curve(t) - 8e-4 * np.sin(2 * np.pi * t / 13.66))) < 1e-6
    step = 1e-4
    for knot in (20.0, 33.0):
        left = (curve(np.array(knot)) - curve(np.array(knot - step))) / step
        right = (curve(np.array(knot + step)) - curve(np.array(knot))) / step
        assert abs(left - right) < 1e-7


def test_fit_is_exact_for_polynomials() -> None:
    x = nodes(6)
    coefficients = fit_matrix(6) @ (16 * x**5 - 20 * x**3 + 5 * x + 2.0)
    assert np.allclose(coefficients, [2, 0, 0, 0, 0, 1], atol=1e-14)


@pytest.mark.parametrize("utc_s", [0.0, 4e9, -1e300, math.nan, math.inf, -math.inf])
def test_outside_the_tables(ephemeris: Ephemeris, utc_s: float) -> None:
    for ask in (ephemeris.moon_km, ephemeris.earth_orientation):
        with pytest.raises(CoverageError, match=r"1973-01-\d\dT.* to 20\d\d-.*astropy-iers-data"):
            ask(utc_s)


def test_the_ends_of_the_range_work(ephemeris: Ephemeris) -> None:
    for utc_s in (ephemeris.first_utc_s, ephemeris.last_utc_s):
        assert np.all(np.isfinite(ephemeris.moon_km(utc_s)))
        ephemeris.earth_orientation(utc_s)
    with pytest.raises(CoverageError):
        ephemeris.moon_km(ephemeris.last_utc_s + 1.0)
    with pytest.raises(CoverageError):
        ephemeris.moon_km(ephemeris.first_utc_s - 1.0)


def test_missing_files(tmp_path: Path) -> None:
    names = r"Earth orientation table .*nothing.*astropy-iers-data"
    with pytest.raises(CoverageError, match=names):
        Ephemeris.load(finals_path=tmp_path / "nothing")
    with pytest.raises(CoverageError, match=r"lunar kernel .*nothing.*skyfield-data"):
        Ephemeris.load(kernel_path=tmp_path / "nothing")
    with pytest.raises(CoverageError):
        Ephemeris.load(finals_path=tmp_path)


def _table() -> bytes:
    return Path(astropy_iers_data.IERS_A_FILE).read_bytes()


@pytest.mark.parametrize(
    "damage",
    [
        lambda table: b"",
        lambda table: b"<html>not found</html>\n" * 50,
        lambda table: b"\0" * 5000,
        lambda table: table[:400],
        lambda table: table[:50_000] + table[60_000:],
        lambda table: table.replace(b" 45000.00 I", b" 45xxx.00 I"),
        lambda table: b"\n".join(table.splitlines()[::2]),
        lambda table: table[:20_000].replace(b"I 0.7", b"I 9.7"),
    ],
)
def test_damaged_tables(tmp_path: Path, damage: object) -> None:
    path = tmp_path / "finals"
    path.write_bytes(damage(_table()))  # type: ignore[operator]
    with pytest.raises(CoverageError, match="damaged or not a finals2000A file"):
        Ephemeris.load(finals_path=path)


@pytest.mark.parametrize("content", [b"", b"hello" * 1000, b"DAF/SPK " + b"\0" * 4000])
def test_damaged_kernel(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "kernel.bsp"
    path.write_bytes(content)
    with pytest.raises(CoverageError, match="lunar kernel"):
        Ephemeris.load(kernel_path=path)


def test_an_old_table_ends_early(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """A shorter, undamaged table works inside its range and says where that ends."""
    lines = _table().splitlines(keepends=True)[:10_000]
    path = tmp_path / "finals"
    path.write_bytes(b"".join(lines))
    old = Ephemeris.load(finals_path=path)
    assert old.last_utc_s < ephemeris.last_utc_s
    assert np.max(np.abs(old.moon_km(9e8) - ephemeris.moon_km(9e8))) < 1e-9
    with pytest.raises(CoverageError, match="2000-"):
        old.moon_km(1.7e9)
