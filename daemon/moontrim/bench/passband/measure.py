"""The passband of a receiver, from a recording of broadband noise through it.

What goes in is flat, so the spectrum of what comes out is the response. It is measured in eight
successive parts of the recording (see `spectrum`), divided by their median levels and averaged.
Three choices keep the figures honest:

- Ripple is the peak-to-peak value of the smoothed response. The largest and the smallest of many
  noisy values lie too far apart, so that a short recording would show ripple where there is none.
  Therefore they are located in one half of the parts and read in the other half, for all 70 ways to
  halve eight parts:  [1 . 3 4 . . 7 .] locate,  [. 2 . . 5 6 . 8] read.  The noise of the two is
  independent, and a flat response gives 0 dB on average.
- Hum and tones are not noise. Cells near a line are left out; if lines hold half of the power, the
  recording is called unfit.
- The parts also tell whether the noise was steady: steady Gaussian noise makes them scatter by a
  variance that follows from window and length alone. More than that widens the uncertainty, much
  more makes the recording unfit."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from moontrim.bench.hum import HumLine, fine_spectrum, hum_among, line_levels
from moontrim.bench.passband.remarks import (
    Edges,
    PassbandRemark,
    edge_notes,
    level_notes,
    range_notes,
    tone_notes,
    unsteady_note,
)
from moontrim.bench.passband.spectrum import DB_PER_NEPER, PARTS, Parts, sound_of, spectra
from moontrim.bench.recording import Recording
from moontrim.bench.recordingfaults import Samples
from moontrim.errors import InputError
from moontrim.formats import short
from moontrim.path.vectors import Array

Cells = NDArray[np.intp]

LEAST_S = 4.0  # chosen: half a second for each part
LEAST_SPAN_HZ = 50.0  # chosen: five times the finest smoothing
# Chosen: ripple in a range has a few periods; 40 points show them and are each well averaged.
POINTS = 40
SMOOTHING_HZ = (10.0, 100.0)  # chosen: limits to what POINTS gives for an odd range
# The ripple is the difference of two values, chosen by noisy data; the choice adds to the error by
# this factor. Measured over flat, tilted and rippling responses: the 95 % hold (tests/authority).
CHOICE = 1.2
SIGMAS_95 = 1.96  # of a normal distribution
# Chosen: share of clipped samples above which the recording is unfit. The distortion of Gaussian
# noise clipped by so much is 19 dB down and fills a dip of 3 dB by 0.1 dB, half of WANTED_DB.
CLIPPED_SHARE = 0.05
WANTED_DB = 0.2  # chosen: a fifth of the ripple of a radio that counts as flat
# Chosen: variance between the parts, over that of steady noise. For comparison, 1.3 is 3 sigma.
UNSTEADY, NOT_NOISE = 2.0, 6.0
# Lines with as much power as all the noise in the range make it a recording of lines.
LINES_SHARE = 0.5
# Chosen: a line below this share of the power density in the range changes nothing.
LINE_MATTERS = 0.1


@dataclass(frozen=True)
class Passband:
    """A measured passband. Levels in dB are relative to the median level in the range.

    frequency_hz, response_db, fine_db, point_error_db: shape (cells,); response smoothed and
    unsmoothed, standard error of the smoothed one; NaN where lines leave nothing.
    ripple_uncertainty_db: 95 %. edges: lower and upper, None where the recording does not show it.
    is_noise: whether the recording is steady broadband noise. clipped_share: of its samples."""

    low_hz: float
    high_hz: float
    duration_s: float
    smoothing_hz: float
    frequency_hz: Array
    response_db: Array
    fine_db: Array
    point_error_db: Array
    ripple_db: float
    ripple_uncertainty_db: float
    edges_3db_hz: Edges
    edges_6db_hz: Edges
    hum: tuple[HumLine, ...]
    tones: tuple[HumLine, ...]
    remarks: tuple[PassbandRemark, ...]
    is_noise: bool
    clipped_share: float

    @property
    def is_valid(self) -> bool:
        """Whether the recording is fit for a statement about the radio."""
        return self.is_noise and self.clipped_share <= CLIPPED_SHARE

    @property
    def in_range(self) -> slice:
        """The cells of the range, as a slice of the arrays."""
        a, b = np.searchsorted(self.frequency_hz, (self.low_hz, self.high_hz + 1e-9))
        return slice(int(a), int(b))

    @property
    def needed_s(self) -> float:
        """The length of a recording that would give the ripple to 0.2 dB: the error falls with
        the square root of the length."""
        return self.duration_s * (self.ripple_uncertainty_db / WANTED_DB) ** 2


def measure_passband(recording: Recording, low_hz: float, high_hz: float) -> Passband:
    """Measures the passband between low_hz and high_hz.

    Raises InputError for a range that is not in the recording, or a recording that is silent or has
    less than 4 s of sound."""
    check_range(low_hz, high_hz, recording.rate_hz)
    rate_hz = recording.rate_hz
    samples = sound_of(recording.samples, rate_hz)
    if samples.size < LEAST_S * rate_hz:
        raise InputError(
            "recording",
            samples.size,
            problem=f"only {samples.size / rate_hz:.1f} s long; at least {LEAST_S:g} s of noise "
            "needed, better a minute",
        )
    hum, tones = _lines(samples, rate_hz, low_hz, high_hz)
    smoothing_hz = float(np.clip((high_hz - low_hz) / POINTS, *SMOOTHING_HZ))
    parts = spectra(samples, rate_hz, smoothing_hz, [line.frequency_hz for line in hum + tones])
    within = (parts.frequency_hz >= low_hz) & (parts.frequency_hz <= high_hz)
    usable = np.flatnonzero(within & np.isfinite(parts.scatter))
    if usable.size < 2:
        raise InputError(
            "recording",
            recording.duration_s,
            problem=f"no noise left in {recording.duration_s:.1f} s besides hum and tones; record "
            "a minute or more",
        )
    levels = np.median(parts.density[:, usable], axis=1)
    shapes = parts.density / levels[:, None]
    whole_db = _db(shapes.mean(axis=0))
    response_db = whole_db - np.median(whole_db[usable])
    excess = _excess(shapes[:, usable], parts.scatter[usable])
    point_error_db = DB_PER_NEPER * np.sqrt(parts.scatter / PARTS * max(excess, 1.0))
    ripple_db = max(_ripple_db(shapes[:, usable]), 0.0)
    ends = usable[[np.argmax(whole_db[usable]), np.argmin(whole_db[usable])]]
    error_db = CHOICE * float(np.hypot(*point_error_db[ends]))
    centre_hz = 0.5 * (low_hz + high_hz)
    edges = [
        _edges(parts.frequency_hz, response_db, usable, centre_hz, down) for down in (-3.0, -6.0)
    ]
    share = _lines_share(parts, within)
    remarks = [PassbandRemark(remark.kind, remark.text) for remark in recording.remarks]
    remarks += tone_notes(tones, share if share >= LINES_SHARE else None)
    if excess >= UNSTEADY:
        remarks.append(unsteady_note(excess, excess >= NOT_NOISE))
    remarks += level_notes(_db(levels))
    remarks += edge_notes(edges[0], edges[1])
    remarks += range_notes(edges[0], low_hz, high_hz, parts.smoothing_hz, LEAST_SPAN_HZ)
    return Passband(
        low_hz, high_hz, samples.size / rate_hz, parts.smoothing_hz,
        parts.frequency_hz, response_db, _db(parts.fine) - np.median(_db(parts.fine)[usable]),
        point_error_db, ripple_db, SIGMAS_95 * error_db, edges[0], edges[1], hum, tones,
        tuple(remarks), excess < NOT_NOISE and share < LINES_SHARE, recording.clipped_share,
    )  # fmt: skip


def check_range(low_hz: float, high_hz: float, rate_hz: float) -> None:
    """Raises InputError, naming --low or --high, for a range that the sampling rate excludes."""
    top_hz = rate_hz / 2.0
    if not 0.0 < low_hz < top_hz:
        raise InputError("--low", low_hz, f"more than 0 and less than {short(top_hz)} Hz")
    if not high_hz <= top_hz:
        raise InputError("--high", high_hz, f"at most {short(top_hz)} Hz (half the sample rate)")
    if not high_hz - low_hz >= LEAST_SPAN_HZ:
        raise InputError("--high", high_hz, f"at least {LEAST_SPAN_HZ:g} Hz more than --low")


def _db(power: Array) -> Array:
    """Returns power in decibels; finite for 0."""
    return 10.0 * np.log10(np.maximum(power, np.finfo(float).tiny))


def _lines(
    samples: Samples, rate_hz: float, low_hz: float, high_hz: float
) -> tuple[tuple[HumLine, ...], tuple[HumLine, ...]]:
    """Returns the mains lines, and all other lines that are strong enough to matter."""
    spectrum = fine_spectrum(samples, rate_hz)
    assert spectrum is not None  # only for less than 0.5 s, and there are 4
    levels = line_levels(spectrum)
    hum = hum_among(spectrum, levels)
    within = (spectrum.frequency_hz >= low_hz) & (spectrum.frequency_hz <= high_hz)
    least = LINE_MATTERS * np.median(spectrum.density[within])
    mains = {line.frequency_hz for line in hum}
    others = [
        HumLine(float(spectrum.frequency_hz[k]), float(10.0 * np.log10(levels[k])))
        for k in np.flatnonzero((levels > 0.0) & (spectrum.density > least))
        if float(spectrum.frequency_hz[k]) not in mains
    ]
    return hum, tuple(others)


def _ripple_db(shapes: Array) -> float:
    """Returns largest minus smallest response, located in four parts and read in the other four
    (see the module's docstring). shapes: (parts, points)."""
    halves = np.array(
        [[k in chosen for k in range(PARTS)] for chosen in combinations(range(PARTS), PARTS // 2)]
    )
    search_half = halves.astype(float) @ shapes
    read_half = (~halves).astype(float) @ shapes
    one = np.arange(len(halves))
    highest, lowest = search_half.argmax(axis=1), search_half.argmin(axis=1)
    return float(np.mean(_db(read_half[one, highest]) - _db(read_half[one, lowest])))


def _excess(shapes: Array, scatter: Array) -> float:
    """Returns the variance between the parts over that of steady Gaussian noise."""
    return float(np.mean(np.var(np.log(shapes), axis=0, ddof=1) / scatter))


def _edges(
    frequency_hz: Array, response_db: Array, usable: Cells, centre_hz: float, down_db: float
) -> Edges:
    """Returns where the response first falls below down_db on the way outwards from the middle of
    the range, below and above."""
    inside = usable[response_db[usable] >= 0.0]
    start = inside[np.argmin(np.abs(frequency_hz[inside] - centre_hz))]
    known = np.flatnonzero(np.isfinite(response_db))
    below, above = known[known <= start][::-1], known[known >= start]
    return (
        _crossing(frequency_hz[below], response_db[below], down_db),
        _crossing(frequency_hz[above], response_db[above], down_db),
    )


def _crossing(frequency_hz: Array, response_db: Array, level_db: float) -> float | None:
    """Returns the first frequency at which the response falls below level_db, interpolated."""
    low = np.flatnonzero(response_db < level_db)
    if not low.size:
        return None
    k = int(low[0])  # never 0: the arrays begin above level_db
    share = (level_db - response_db[k - 1]) / (response_db[k] - response_db[k - 1])
    return float(frequency_hz[k - 1] + share * (frequency_hz[k] - frequency_hz[k - 1]))


def _lines_share(parts: Parts, within: NDArray[np.bool_]) -> float:
    """Returns the share of the power in the range that is near lines."""
    power = parts.fine[within]
    return float(power[parts.left_out[within]].sum() / power.sum())
