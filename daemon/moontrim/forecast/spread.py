"""The spread within a window: its turning points, and the periods of low spread. All
spreads are limb to limb."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from moontrim.forecast.window import LowSpread, SpreadExtreme
from moontrim.path.vectors import Array

# Chosen: percentage of a window's minutes, those with the smallest spread, that counts as low
# when there is no limit.
LOW_SHARE = 25.0
# Chosen: shorter periods are too short for a contact; they are left out if there is a longer one.
SHORTEST_S = 600.0
MINUTE_S = 60.0


def turning_points(
    spread_hz: Callable[[Array], Array], start_utc_s: float, end_utc_s: float
) -> tuple[tuple[SpreadExtreme, ...], tuple[SpreadExtreme, ...]]:
    """Returns minima and maxima between two instants, to about a second: whole minutes, then the
    vertex of the parabola through three squares (the square is smooth where the spread itself has
    a kink). spread_hz: evaluated up to two minutes beyond the ends."""
    first = np.floor(start_utc_s / MINUTE_S) - 1.0
    last = np.ceil(end_utc_s / MINUTE_S) + 1.0
    utc_s = np.arange(first, last + 1.0) * MINUTE_S
    square = spread_hz(utc_s) ** 2
    before, middle, after = square[:-2], square[1:-1], square[2:]
    extremes = []
    for sense in (1.0, -1.0):
        turns = np.flatnonzero(
            (sense * (before - middle) > 0.0) & (sense * (after - middle) >= 0.0)
        )
        curve = before[turns] - 2.0 * middle[turns] + after[turns]
        shift = 0.5 * (before[turns] - after[turns]) / curve
        at_utc_s = utc_s[1:-1][turns] + MINUTE_S * shift
        at_utc_s = at_utc_s[(at_utc_s > start_utc_s) & (at_utc_s < end_utc_s)]
        values = spread_hz(at_utc_s) if at_utc_s.size else at_utc_s
        extremes.append(tuple(map(SpreadExtreme, at_utc_s.tolist(), values.tolist())))
    return extremes[0], extremes[1]


def low_spread_periods(
    utc_s: Array, spread_hz: Array, max_spread_hz: float | None
) -> tuple[LowSpread, ...]:
    """Returns the periods of a window, given by samples (N,), with at most max_spread_hz; without a
    limit, with at most the spread of the lowest quarter of its samples. Lowest mean first; those
    shorter than SHORTEST_S are left out if there are longer ones. Ends are interpolated between
    samples."""
    if utc_s.size < 2:
        return ()
    limit_hz = float(np.percentile(spread_hz, LOW_SHARE)) if max_spread_hz is None else (
        max_spread_hz
    )  # fmt: skip
    good = spread_hz <= limit_hz
    edges = np.diff(np.concatenate([[False], good, [False]]).astype(int))
    periods = []
    for a, b in zip(
        np.flatnonzero(edges == 1).tolist(), (np.flatnonzero(edges == -1) - 1).tolist(), strict=True
    ):
        start_utc_s = _crossing(utc_s, spread_hz, a - 1, a, limit_hz) if a else float(utc_s[0])
        end_utc_s = (
            _crossing(utc_s, spread_hz, b, b + 1, limit_hz)
            if b + 1 < utc_s.size
            else float(utc_s[-1])
        )
        inside = spread_hz[a : b + 1]
        mean = float(inside.mean())
        periods.append(
            LowSpread(start_utc_s, end_utc_s, mean, float(inside.min()), float(inside.max()))
        )
    long_enough = [s for s in periods if s.end_utc_s - s.start_utc_s >= SHORTEST_S]
    return tuple(sorted(long_enough or periods, key=lambda period: period.mean_hz))


def _crossing(utc_s: Array, spread_hz: Array, a: int, b: int, limit_hz: float) -> float:
    share = (limit_hz - spread_hz[a]) / (spread_hz[b] - spread_hz[a])
    return float(utc_s[a] + share * (utc_s[b] - utc_s[a]))
