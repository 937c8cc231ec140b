"""The noise that a search has to beat, frequency by frequency: running medians of the very spectra
that are searched, so that what leaks from strong noise elsewhere counts as noise here."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from moontrim.bench.tone.baseband import STEEP, Baseband, Real, median_of_mean

# The median of n exponential variates is as good as the mean of about half as many.
MEDIAN_WORTH = 0.48
HOP_HZ = 10.0
AT_ONCE = 1 << 21


@dataclass(frozen=True, slots=True)
class Floor:
    """For each bin asked for. mean: power of the noise in one segment. sides: the higher of its two
    sides, relative to that. worth: how many independent values the mean is worth."""

    mean: Real
    sides: Real
    worth: float


def floor_of(
    total: NDArray[np.floating],
    step_hz: float,
    band: Baseband,
    segments: int,
    length_s: float,
    bins: NDArray[np.int_],
) -> Floor:
    """total: power in bins of step_hz (in the order of an FFT), added over segments of length_s.
    bins: ascending, those asked for, counted from the band's centre."""
    near_hz = band.neighbourhood_hz
    edge = min(int((band.half_width_hz - 1.0) / step_hz), total.size // 2 - 1)
    reach = min(int(near_hz / step_hz), edge // 2)
    hop = max(1, int(HOP_HZ / step_hz))
    away, half = reach * 5 // 8, reach * 3 // 8
    centres = np.arange(bins[0] - away, bins[-1] + away + hop, hop)

    def medians(width: int) -> Real:
        """Logarithm of the noise of one segment about each centre."""
        starts = np.clip(centres - width, -edge, edge - 2 * width)
        rows = max(1, AT_ONCE // (2 * width + 1))
        window = np.arange(2 * width + 1)
        found = np.concatenate(
            [
                np.median(total[(starts[i : i + rows, None] + window) % total.size], axis=1)
                for i in range(0, starts.size, rows)
            ]
        )
        least = max(float(found.max()) * 1e-12, 1e-30)
        return np.asarray(np.log(np.maximum(found, least) / (segments * median_of_mean(segments))))

    wide, narrow = medians(reach), medians(half)
    mean = np.exp(np.interp(bins, centres, wide))
    low, high = (np.exp(np.interp(bins + off, centres, narrow)) for off in (-away, away))
    sides = np.maximum(low, high)
    mean = np.where(sides > STEEP * mean, sides, mean)
    worth = MEDIAN_WORTH * segments * max(8.0, 2.0 * near_hz * length_s)
    return Floor(mean, sides / mean, worth)
