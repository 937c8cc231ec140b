"""Overlapping Allan deviation: how much a frequency wanders over each averaging time.

Computed from phase in seconds by equation (11) of NIST Special Publication 1065 (Riley 2008). The
arithmetic is four lines, written here because the library for it takes a second to import; a test
compares the two (tests/authority)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class AllanPoint:
    """Allan deviation at one averaging time.

    deviation: fractional, for averages over tau_s. uncertainty: 1 sigma, the deviation over the
    square root of the number of averages (common practice)."""

    tau_s: float
    deviation: float
    uncertainty: float


def allan_deviation(
    phase_s: NDArray[np.floating[Any]], step_s: float, factors: Iterable[int] | None = None
) -> tuple[AllanPoint, ...]:
    """Returns the deviation at each averaging time for which the data are long enough.

    phase_s: shape (n,), time error in seconds (phase / (2 pi frequency)), one value every step_s.
    factors: averaging times as multiples of step_s; by default the powers of two up to a third of
    the length."""
    n = phase_s.size
    if factors is None:
        factors = (1 << k for k in range(n.bit_length()) if 3 * (1 << k) <= n - 1)
    points = []
    for m in factors:
        if n - 2 * m < 1:
            continue
        second = phase_s[2 * m :] - 2.0 * phase_s[m:-m] + phase_s[: -2 * m]
        tau_s = m * step_s
        deviation = float(np.sqrt(np.mean(second**2) / 2.0)) / tau_s
        points.append(AllanPoint(tau_s, deviation, deviation / float(np.sqrt((n - 1) / m))))
    return tuple(points)
