"""Allan deviation against printed values and against a library.

NIST Special Publication 1065 (Riley 2008): table 30 (the data of NBS Monograph 140, annex 8.E) and
table 31 (1000 points from the generator of section 12.4); the values printed there have seven
figures. Library: allantools."""

from __future__ import annotations

from collections.abc import Sequence

import allantools
import numpy as np
import pytest

from moontrim.bench.allan import allan_deviation

NBS_FREQUENCIES = (892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0)
PRINTED_SHORT = {1: 91.22945, 2: 85.95287}
PRINTED_1000 = {1: 2.922319e-01, 10: 9.159953e-02, 100: 3.241343e-02}
SEVEN_FIGURES = 5e-7


def phase(frequencies: Sequence[float]) -> np.ndarray:
    return np.concatenate(([0.0], np.cumsum(frequencies)))


def thousand() -> list[float]:
    """The prime modulus generator of SP 1065, section 12.4."""
    numbers = [1234567890]
    while len(numbers) < 1000:
        numbers.append(16807 * numbers[-1] % 2147483647)
    return [n / 2147483647 for n in numbers]


@pytest.mark.parametrize(
    ("frequencies", "printed"), [(NBS_FREQUENCIES, PRINTED_SHORT), (thousand(), PRINTED_1000)]
)
def test_printed_values(frequencies: Sequence[float], printed: dict[int, float]) -> None:
    points = allan_deviation(phase(frequencies), 1.0, printed)
    assert [p.tau_s for p in points] == list(printed)
    for point, value in zip(points, printed.values(), strict=True):
        assert point.deviation == pytest.approx(value, rel=SEVEN_FIGURES)


@pytest.mark.parametrize("power", [0, 1, 2])
def test_the_library(power: int) -> None:
    """White, random-walk and integrated random-walk phase; steps that are not a second."""
    steps = np.random.default_rng(power).standard_normal(777)
    for _ in range(power):
        steps = np.cumsum(steps)
    factors = [1, 3, 10, 64, 200, 380]
    points = allan_deviation(steps, 0.25, factors)
    tau_s, expected, _, _ = allantools.oadev(
        steps, rate=4.0, data_type="phase", taus=np.array(factors) / 4.0
    )
    assert [p.tau_s for p in points] == pytest.approx(list(tau_s))
    assert [p.deviation for p in points] == pytest.approx(list(expected), rel=1e-12)


def test_what_is_too_short_is_left_out() -> None:
    assert allan_deviation(np.zeros(2), 1.0, [1]) == ()
    assert [p.tau_s for p in allan_deviation(np.zeros(10), 1.0)] == [1.0, 2.0]
