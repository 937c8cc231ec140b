"""Overlapping Allan deviation: how a frequency wanders over each length of time.

Of phase in seconds, by equation (11) of NIST Special Publication 1065 (Riley 2008). Own code for
four lines of arithmetic: the library there is takes a second to import and brings a documentation
builder along; it is held against this in the tests."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class AllanPoint:
    """deviation: fractional, for averages over tau_s; uncertainty: 1 sigma, common practice for
    the number of averages there are."""

    tau_s: float
    deviation: float
    uncertainty: float


def allan_deviation(
    phase_s: NDArray[np.floating[Any]], step_s: float, factors: Iterable[int] | None = None
) -> tuple[AllanPoint, ...]:
    """phase_s, shape (n,): time error in seconds (phase over 2 pi times frequency), every step_s.
    factors: averages over so many steps; left out: 1, 2, 4 ... up to a third of the length. Those
    the data are too short for are left out."""
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
