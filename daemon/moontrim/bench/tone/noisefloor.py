"""The noise level at every frequency of a search, by running medians of the spectra searched.

The same spectra, so that what leaks into a cell from strong noise elsewhere counts as its noise. On
the skirt of a filter, where the median around a frequency is too low, the higher of the two sides
counts:

         side         cell         side
    |<-- 3/4 -->|      ^      |<-- 3/4 -->|      of `reach`, and all of it: the median around
    |<---- reach ----->|<---- reach ----->|
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from moontrim.bench.tone.baseband import STEEP, Baseband, Real, median_of_mean

# The median of n exponential variates is as uncertain as the mean of (ln 2)^2 n of them.
MEDIAN_WORTH = 0.48
HOP_HZ = 10.0  # chosen: medians are computed this far apart and interpolated
AT_ONCE = 1 << 21  # values in memory at once


@dataclass(frozen=True, slots=True)
class Floor:
    """The noise of each bin. mean: its power in one segment. sides: the higher of its two sides,
    relative to that. worth: the number of independent values whose mean is as uncertain."""

    mean: Real
    sides: Real
    worth: float


def floor_of(
    total: NDArray[np.floating],
    step_hz: float,
    band: Baseband,
    segments: int,
    duration_s: float,
    bins: NDArray[np.int_],
) -> Floor:
    """Returns the noise floor of some bins.

    total: power in bins of step_hz (in the order of an FFT), added over segments of duration_s.
    bins: ascending, counted from the band's centre."""
    near_hz = band.neighbourhood_hz
    edge = min(int((band.half_width_hz - 1.0) / step_hz), total.size // 2 - 1)
    reach = min(int(near_hz / step_hz), edge // 2)
    hop = max(1, int(HOP_HZ / step_hz))
    away, half = reach * 5 // 8, reach * 3 // 8
    centres = np.arange(bins[0] - away, bins[-1] + away + hop, hop)

    def medians(width: int) -> Real:
        """Returns the logarithm of the noise of one segment about each centre."""
        starts = np.clip(centres - width, -edge, edge - 2 * width)
        rows = max(1, AT_ONCE // (2 * width + 1))
        window = np.arange(2 * width + 1)
        values = np.concatenate(
            [
                np.median(total[(starts[i : i + rows, None] + window) % total.size], axis=1)
                for i in range(0, starts.size, rows)
            ]
        )
        least = max(float(values.max()) * 1e-12, 1e-30)
        return np.asarray(np.log(np.maximum(values, least) / (segments * median_of_mean(segments))))

    wide, narrow = medians(reach), medians(half)
    mean = np.exp(np.interp(bins, centres, wide))
    low, high = (np.exp(np.interp(bins + off, centres, narrow)) for off in (-away, away))
    sides = np.maximum(low, high)
    mean = np.where(sides > STEEP * mean, sides, mean)
    worth = MEDIAN_WORTH * segments * max(8.0, 2.0 * near_hz * duration_s)
    return Floor(mean, sides / mean, worth)
