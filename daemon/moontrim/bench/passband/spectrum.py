"""The smoothed power spectrum of successive parts of a recording of noise, with the scatter that
steady noise would have.

Cells near lines and near zero frequency are left out; a smoothed value is the mean of the remaining
cells within the smoothing width around it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.signal import get_window, welch

from moontrim.bench.recordingfaults import Samples, constant_stretches
from moontrim.path.vectors import Array

# Chosen: enough parts for their scatter, and for 70 halves; few enough that each is long.
PARTS = 8
# The window falls by 92 dB within four cells (Harris, Proc. IEEE 66 (1978) 51, table I), so that
# a line 80 dB over the noise spoils no cell beyond MAIN_LOBE_CELLS.
WINDOW, MAIN_LOBE_CELLS = "blackmanharris", 5
CELL_HZ = 1.0  # chosen: a tenth of the finest smoothing
# A part holds at least two segments; in a short recording this makes the cells wider than CELL_HZ.
SEGMENTS_A_PART = 2
WELCH_BLOCK = 1 << 21  # samples at once: 16 MB
LINE_WANDER = 5e-4  # chosen: relative, what the mains wander within a recording
LEAST_CELLS = 3  # the fewest whose mean is a smoothed value
DB_PER_NEPER = 10.0 / np.log(10.0)


@dataclass(frozen=True)
class Parts:
    """Spectra of successive parts of a recording.

    frequency_hz: (cells). density: (parts, cells), power per Hz, smoothed, NaN where too few cells
    remain. fine: (cells), of the whole recording, unsmoothed. left_out: (cells), near a line or
    zero. scatter: (cells), relative variance that the density of one part has for steady Gaussian
    noise."""

    frequency_hz: Array
    density: Array
    fine: Array
    left_out: NDArray[np.bool_]
    scatter: Array
    smoothing_hz: float


def sound_of(samples: Samples, rate_hz: float) -> Samples:
    """Returns the samples without stretches of one repeated value, which are not noise."""
    constant = constant_stretches(samples, rate_hz, ends=True)
    if not constant:
        return samples
    begins = [0, *(end for _, end in constant)]
    ends = [*(begin for begin, _ in constant), samples.size]
    return np.concatenate([samples[b:e] for b, e in zip(begins, ends, strict=True)])


def spectra(
    samples: Samples, rate_hz: float, smoothing_hz: float, lines_hz: Sequence[float]
) -> Parts:
    """Returns Welch spectra of 8 successive parts, without the cells near lines_hz.

    samples: shape (n,), sound only (see `sound_of`), a few cells' worth in each part at least."""
    part = samples.size // PARTS
    segment = int(min(rate_hz / CELL_HZ, part // SEGMENTS_A_PART))
    step = segment // 3
    cell_hz = rate_hz / segment
    window = get_window(WINDOW, segment)
    blocks = -(-part // max(WELCH_BLOCK, 4 * segment))
    block = part // blocks
    fine: Array = np.zeros((PARTS, segment // 2 + 1))
    for k in range(PARTS):
        for b in range(blocks):
            start = k * part + b * block
            piece = np.asarray(samples[start : start + block], np.float64)
            frequency_hz, one = welch(piece, rate_hz, WINDOW, segment, segment - step)
            fine[k] += one / blocks
    left_out = frequency_hz < MAIN_LOBE_CELLS * cell_hz
    for line_hz in lines_hz:
        away_hz = MAIN_LOBE_CELLS * cell_hz + LINE_WANDER * line_hz
        left_out |= np.abs(frequency_hz - line_hz) < away_hz
    cells = max(2 * int(smoothing_hz / cell_hz / 2.0) + 1, LEAST_CELLS)
    share = uniform_filter1d((~left_out).astype(float), cells, mode="mirror")
    share[share * cells < max(cells / 4.0, 1.5)] = np.nan
    smooth = uniform_filter1d(np.where(left_out, 0.0, fine), cells, axis=1, mode="mirror") / share
    # Far down in a stop band the running sum may round to zero or below.
    smooth = np.maximum(smooth, np.finfo(float).tiny)
    segments = 1 + (block - segment) // step
    scatter = cell_scatter(window, step, segments) / blocks / (cells * share)
    return Parts(frequency_hz, smooth, fine.mean(axis=0), left_out, scatter, cells * cell_hz)


def cell_scatter(window: Array, step: int, segments: int) -> float:
    """Returns the relative variance of the mean of `segments` overlapping periodograms over many
    cells, times the number of cells, for Gaussian noise that is white over a few cells.

    The covariance of periodograms of segments m steps apart at cells d apart is |C(m, d)|^2, with
    C the transform of the product of the window and itself m steps later (Welch, IEEE Trans. Audio
    Electroacoust. 15 (1967) 70, extended to d != 0); here it is summed over m and d."""
    power = float(np.sum(window**2))
    total = 0.0
    for m in range(segments):
        overlap = window.size - m * step
        if overlap <= 0:
            break
        # Parseval's theorem: the sum over d of |C|^2.
        product = window[:overlap] * window[m * step :]
        covariance = window.size * float(np.sum(product**2)) / power**2
        total += covariance * (1.0 - m / segments) * (1.0 if m == 0 else 2.0)
    return total / segments
