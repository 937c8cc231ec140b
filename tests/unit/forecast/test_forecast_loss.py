"""The radar equation against the handbook's table and a form of its own."""

from __future__ import annotations

import math

import numpy as np
import pytest

from moontrim.forecast.sky.pathloss import path_loss_db

PERIGEE_KM, MEAN_KM, APOGEE_KM = 356400.0, 384400.0, 406700.0


def loss(mhz: float, one_km: float, other_km: float | None = None) -> float:
    other = one_km if other_km is None else other_km
    return float(path_loss_db(mhz * 1e6, np.array(one_km), np.array(other)))


@pytest.mark.parametrize(
    ("mhz", "expected_db"),
    [(50, 242.9), (144, 252.1), (432, 261.6), (1296, 271.2), (2304, 276.2), (10368, 289.2)],
)
def test_handbook_at_mean_distance(mhz: float, expected_db: float) -> None:
    """EME chapter of the ARRL Handbook, table of path losses; figures from memory."""
    assert loss(mhz, MEAN_KM) == pytest.approx(expected_db, abs=0.1)


@pytest.mark.parametrize(
    ("mhz", "perigee_db", "apogee_db"),
    [
        (50, 241.6, 243.9),
        (144, 250.8, 253.1),
        (432, 260.3, 262.6),
        (1296, 269.9, 272.2),
        (2304, 274.9, 277.2),
        (5760, 282.8, 285.1),
        (10368, 287.9, 290.2),
        (24048, 295.2, 297.5),
    ],
)
def test_nearest_and_farthest(mhz: float, perigee_db: float, apogee_db: float) -> None:
    """Computed once from the same formula with other code."""
    assert loss(mhz, PERIGEE_KM) == pytest.approx(perigee_db, abs=0.1)
    assert loss(mhz, APOGEE_KM) == pytest.approx(apogee_db, abs=0.1)


def test_the_form_with_a_cross_section() -> None:
    """sigma lambda^2 / ((4 pi)^3 d^4), sigma = 0.065 pi r^2 = 6.2e11 m2."""
    sigma = 0.065 * math.pi * 1.738e6**2
    assert sigma == pytest.approx(6.17e11, rel=1e-3)
    wavelength = 299792458.0 / 432e6
    ratio = sigma * wavelength**2 / ((4 * math.pi) ** 3 * (MEAN_KM * 1e3) ** 4)
    assert loss(432, MEAN_KM) == pytest.approx(-10 * math.log10(ratio), abs=1e-9)


def test_two_distances_count_alike() -> None:
    assert loss(432, PERIGEE_KM, APOGEE_KM) == pytest.approx(
        0.5 * (loss(432, PERIGEE_KM) + loss(432, APOGEE_KM)), abs=1e-9
    )
    assert loss(432, PERIGEE_KM, APOGEE_KM) == loss(432, APOGEE_KM, PERIGEE_KM)
