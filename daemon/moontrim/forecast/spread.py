"""The spread within a window: its turning points, and the periods of low spread. All
spreads are limb to limb."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np

from moontrim.forecast.window import LowSpread, SpreadExtreme
from moontrim.path.vectors import Array

# Chosen: percentage of a window's minutes, those with the smallest spread, that counts as low
# when there is no limit.
LOW_SHARE = 25.0
# Chosen: shorter periods are too short for a contact; they are left out if there is a longer one.
SHORTEST_S = 600.0
MINUTE_S = 60.0

# Minima and maxima of a window, each in order of time.
Turns = tuple[tuple[SpreadExtreme, ...], tuple[SpreadExtreme, ...]]


def turning_points(
    spread_hz: Callable[[Array], Array], spans: Sequence[tuple[float, float]]
) -> list[Turns]:
    """Returns minima and maxima between each pair of instants, to about a second: whole minutes,
    then the vertex of the parabola through three squares (the square is smooth where the spread
    itself has a kink). spread_hz: evaluated up to two minutes beyond the ends."""
    # The minutes of all spans are one row, so that they cost one call; `inner` leaves out the
    # first and last of each span, whose neighbours in the row belong to another.
    grids = [
        np.arange(np.floor(start / MINUTE_S) - 1.0, np.ceil(end / MINUTE_S) + 2.0) * MINUTE_S
        for start, end in spans
    ]
    utc_s = np.concatenate([*grids, np.empty(0)])
    sizes = [grid.size for grid in grids]
    owner = np.repeat(np.arange(len(grids)), sizes)
    inner = np.ones(utc_s.size, dtype=bool)
    last = np.cumsum(sizes, dtype=np.int64) - 1
    inner[last] = False
    inner[last - np.array(sizes, dtype=np.int64) + 1] = False
    square = spread_hz(utc_s) ** 2
    before, middle, after = square[:-2], square[1:-1], square[2:]
    edges = np.array(spans, dtype=np.float64).reshape(-1, 2)
    by_sense: list[list[tuple[SpreadExtreme, ...]]] = []
    for sense in (1.0, -1.0):
        turns = np.flatnonzero(
            (sense * (before - middle) > 0.0) & (sense * (after - middle) >= 0.0) & inner[1:-1]
        )
        curve = before[turns] - 2.0 * middle[turns] + after[turns]
        shift = 0.5 * (before[turns] - after[turns]) / curve
        at_utc_s, of = utc_s[1:-1][turns] + MINUTE_S * shift, owner[1:-1][turns]
        inside = (at_utc_s > edges[of, 0]) & (at_utc_s < edges[of, 1])
        at_utc_s, of = at_utc_s[inside], of[inside]
        values = spread_hz(at_utc_s) if at_utc_s.size else at_utc_s
        extremes = list(map(SpreadExtreme, at_utc_s.tolist(), values.tolist()))
        begin = np.searchsorted(of, np.arange(len(grids) + 1)).tolist()
        by_sense.append([tuple(extremes[a:b]) for a, b in pairwise(begin)])
    return list(zip(*by_sense, strict=True))


def low_spread_periods(
    utc_s: Array, spread_hz: Array, limit_hz: float, margin_db: Array | None = None
) -> tuple[LowSpread, ...]:
    """Returns the periods of a window, given by samples (N,), with at most limit_hz. Lowest mean
    first; those shorter than SHORTEST_S are left out if there are longer ones. Ends are
    interpolated between samples.

    margin_db: if not None, a period ends where it is negative, too."""
    if utc_s.size < 2:
        return ()
    # What is left to each limit: not negative inside a period.
    left = [limit_hz - spread_hz, *([] if margin_db is None else [margin_db])]
    good = np.logical_and.reduce([values >= 0.0 for values in left])
    edges = np.diff(good.astype(np.int8), prepend=0, append=0)
    periods = []
    for a, b in zip(
        np.flatnonzero(edges == 1).tolist(), (np.flatnonzero(edges == -1) - 1).tolist(), strict=True
    ):
        start_utc_s = max(_crossings(utc_s, left, a - 1, a)) if a else float(utc_s[0])
        end_utc_s = (
            min(_crossings(utc_s, left, b + 1, b)) if b + 1 < utc_s.size else float(utc_s[-1])
        )
        inside = spread_hz[a : b + 1]
        mean = float(inside.mean())
        periods.append(
            LowSpread(start_utc_s, end_utc_s, mean, float(inside.min()), float(inside.max()))
        )
    long_enough = [s for s in periods if s.end_utc_s - s.start_utc_s >= SHORTEST_S]
    return tuple(sorted(long_enough or periods, key=lambda period: period.mean_hz))


def low_spread_limit_hz(spread_hz: Array, max_spread_hz: float | None) -> float:
    """Returns the limit of a window's low spread: max_spread_hz; without it, the spread of the
    lowest quarter of its samples (N,)."""
    if max_spread_hz is not None:
        return max_spread_hz
    # Interpolated between the two nearest in rank, as np.percentile does in ten times as long.
    place = LOW_SHARE / 100.0 * (spread_hz.size - 1)
    k = int(place)
    above = min(k + 1, spread_hz.size - 1)
    in_rank = np.partition(spread_hz, (k, above))
    return float(in_rank[k] + (place - k) * (in_rank[above] - in_rank[k]))


def _crossings(utc_s: Array, left: Sequence[Array], outside: int, inside: int) -> list[float]:
    """Returns when each of the limits that sample `outside` breaks is crossed."""
    return [
        float(
            utc_s[outside]
            + values[outside]
            / (values[outside] - values[inside])
            * (utc_s[inside] - utc_s[outside])
        )
        for values in left
        if values[outside] < 0.0
    ]
