"""Narrow lines in a noise spectrum, and which of them are mains hum: 50 or 60 Hz and harmonics.

A cell of the spectrum is the top of a line if it exceeds the noise on both of its sides, so that
neither the slope of a filter nor its corner passes for one. The level of a line is its power over
that of the noise in 1 Hz around it, which does not depend on the resolution."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter
from scipy.signal import welch
from scipy.special import gammaincinv

from moontrim.bench.recordingfaults import Samples
from moontrim.path.vectors import Array

# Chosen: long enough to tell a line from noise, short enough that the mains stay within a cell.
SEGMENT_S = 8.0
# Chosen: in less than this the cells are too wide (2 Hz) to tell one line from its neighbours.
LEAST_S = 0.5
# Chosen: hum is there all the time, so a sample of a long recording shows it.
SEGMENTS_AT_MOST = 64
# Chosen: the share of recordings in which noise alone shows a line.
FALSE_ALARM = 1e-3
# In cells, on each side of a line: GUARD are its own skirt, SIDE give the noise level.
GUARD, SIDE = 6, 24
# Falls by 92 dB within four cells of a line (Harris, Proc. IEEE 66 (1978) 51, table I), so that the
# side lobes of a strong line do not pass for lines. LOBE cells hold all the power of a line.
WINDOW, LOBE = "blackmanharris", 9

MAINS_HZ = (50.0, 60.0)
# Common practice: grids keep within 0.2 Hz even on a bad day.
MAINS_WANDER_HZ = 0.2
# Chosen: moves the 80th harmonic by 0.4 Hz, less than what counts as a match there.
WANDER_STEP_HZ = 0.005
# Chosen: further up every line is near some harmonic, so that a match says nothing.
HUM_UP_TO_HZ = 4_000.0
# Common practice: a single line is hum only among the first harmonics (rectifiers make the second,
# transformers odd ones). Higher up it takes TOGETHER lines: one, or the two of a two-tone test, may
# be anything.
ALONE_UP_TO = 6
TOGETHER = 3


@dataclass(frozen=True)
class HumLine:
    """A line of the spectrum. level_db: its power over that of the noise in 1 Hz around it."""

    frequency_hz: float
    level_db: float


@dataclass(frozen=True)
class Spectrum:
    """Averaged power density (per Hz) over frequency, both of shape (cells,), `cell_hz` apart.

    degrees: of freedom of the chi-square distribution of every value (Welch, IEEE Trans. Audio
    Electroacoust. 15 (1967) 70)."""

    frequency_hz: Array
    density: Array
    cell_hz: float
    degrees: float


def hum_lines(samples: Samples, rate_hz: float) -> tuple[HumLine, ...]:
    """Returns the mains lines of a recording, by frequency; none if it is shorter than 0.5 s."""
    spectrum = fine_spectrum(samples, rate_hz)
    if spectrum is None:
        return ()
    return hum_among(spectrum, line_levels(spectrum))


def mains_hz(lines: Sequence[HumLine]) -> float:
    """Returns the nominal mains frequency, 50 or 60, whose harmonics are nearest to the lines."""
    off = [sum(abs(_off(line.frequency_hz, mains)) for line in lines) for mains in MAINS_HZ]
    return MAINS_HZ[int(np.argmin(off))]


def fine_spectrum(samples: Samples, rate_hz: float) -> Spectrum | None:
    """Returns the mean spectrum of pieces spread evenly over the recording, at most 64 segments in
    all; None if it is shorter than 0.5 s."""
    if samples.size < LEAST_S * rate_hz:
        return None
    segment = min(round(SEGMENT_S * rate_hz), samples.size)
    # Pieces of two segments hold three that overlap by half.
    piece = min(2 * segment, samples.size)
    pieces = min(max(samples.size // piece, 1), SEGMENTS_AT_MOST // 2)
    starts = np.linspace(0, samples.size - piece, pieces).astype(int)
    density: Array = np.zeros(segment // 2 + 1)
    for start in starts:
        part = np.asarray(samples[start : start + piece], np.float64)
        frequency_hz, one = welch(part, rate_hz, WINDOW, segment)
        density += one / pieces
    # With this window segments that overlap by half are as good as independent (3.8 %; Harris).
    each = 1 + (piece - segment) // (segment - segment // 2)
    return Spectrum(frequency_hz, density, rate_hz / segment, 2.0 * pieces * each)


def line_levels(spectrum: Spectrum) -> Array:
    """Returns, for every cell that is the top of a line, the power of the line over the noise in
    1 Hz around it, as a ratio; 0 for every other cell.

    The noise under a cell is the higher of the medians of the 24 cells on its left and on its
    right, beyond a guard of 6. A cell must exceed it by what a chi-square value of these degrees of
    freedom exceeds in one of 1000 recordings:

         side           guard  line  guard           side
        |<-- 24 -->|    | 6 |   ^    | 6 |    |<-- 24 -->|
    """
    density, half = spectrum.density, spectrum.degrees / 2.0
    wide = median_filter(density, size=SIDE, mode="nearest")
    away = GUARD + SIDE // 2
    padded = np.pad(wide, away, mode="edge")
    noise = np.maximum(padded[: density.size], padded[2 * away :])
    noise /= gammaincinv(half, 0.5) / half  # from the median of a chi-square to its mean
    # Allows for the error of the median of so few cells (1.25 / sqrt(n) of a sigma), times three.
    unsure = 1.0 + 3.0 * 1.25 / np.sqrt(half * SIDE)
    highest = gammaincinv(half, 1.0 - FALSE_ALARM / density.size) / half * unsure
    top = np.zeros(density.size, bool)
    top[1:-1] = (density[1:-1] >= density[:-2]) & (density[1:-1] > density[2:])
    is_line = top & (density > highest * noise)
    levels = np.zeros(density.size)
    lobe = np.convolve(density, np.ones(LOBE), "same")
    excess = np.maximum(lobe / noise - LOBE, density / noise - 1.0)
    levels[is_line] = excess[is_line] * spectrum.cell_hz
    return levels


def hum_among(spectrum: Spectrum, levels: Array) -> tuple[HumLine, ...]:
    """Returns the mains lines among all lines, of the family (50 or 60 Hz) with more in it."""
    families = [_family(spectrum, levels, mains) for mains in MAINS_HZ]
    return max(families, key=lambda lines: sum(1.0 + line.level_db for line in lines))


def _family(spectrum: Spectrum, levels: Array, mains: float) -> tuple[HumLine, ...]:
    """Returns the lines that are harmonics of one fundamental near `mains`: of all fundamentals
    within the wander of a grid, the one that explains most lines."""
    best: tuple[int, ...] = ()
    wander = np.arange(-MAINS_WANDER_HZ, MAINS_WANDER_HZ + WANDER_STEP_HZ, WANDER_STEP_HZ)
    cells = np.flatnonzero(levels)
    cells = cells[spectrum.frequency_hz[cells] < HUM_UP_TO_HZ]
    if not cells.size:
        return ()
    line_hz = spectrum.frequency_hz[cells]
    for fundamental_hz in mains + wander[np.argsort(np.abs(wander))]:
        off_hz = np.abs([_off(f, fundamental_hz) for f in line_hz])
        fits = off_hz <= spectrum.cell_hz + 5e-4 * line_hz
        order = np.round(line_hz / fundamental_hz)
        fits &= order >= 1
        together = int(fits.sum())
        if not (order[fits] <= ALONE_UP_TO).any() and together < TOGETHER:
            continue
        if together > len(best):
            best = tuple(cells[fits])
    return tuple(
        HumLine(float(spectrum.frequency_hz[k]), float(10.0 * np.log10(levels[k]))) for k in best
    )


def _off(frequency_hz: float, mains: float) -> float:
    """Returns the distance in Hz from the nearest harmonic."""
    return frequency_hz - mains * max(round(frequency_hz / mains), 1)
