"""Is there a tone, and about where: a search over frequency and drift.

The recording is cut into K segments, and the powers of their spectra are added along straight lines
in frequency over time (rows: segments; columns: cells of their spectra):

    time |  . . . # . . .      For every drift (slope of the line) and every frequency in the middle
         |  . . . . # . .      the cells # are added up. Noise gives a sum of K exponential
         |  . . . . # . .      variates; a tone on that line adds to each of them.
         v  . . . . . # .

Few long segments (K = 4) find a steady tone deepest in the noise; many short ones find a tone that
drifts fast or is spread by fading. So K is tried in steps of four, and the best places of the
smallest K are examined once more with the whole recording as one segment (`_closer`). A sum becomes
the probability that noise alone gives as much anywhere: the tail of an F distribution (`log_tail`)
times the independent frequencies, times a factor that favours small drifts, times the number of K.
The least probable place is a tone if that is below FALSE_ALARM. The noise is measured beside each
cell (`noisefloor`), so that neither coloured noise nor the skirt of a filter raises an alarm."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, special

from moontrim.bench.tone.baseband import Baseband, Real
from moontrim.bench.tone.noisefloor import Floor, floor_of

FALSE_ALARM = 0.005  # chosen: share of recordings without a tone in which one is reported
LINES = 32  # chosen: drifts tried on each side of zero
# Between two drifts, in units of 1 / (length of segment * length of recording). Chosen: a tone half
# way between two is off by a third of a cell at the ends.
LINE_STEP = 1.4
FEWEST_SEGMENTS = 4  # chosen: `_closer` takes the step from four to one
LONGEST_SEGMENT_S = 250.0  # chosen: in cells of 4 mHz the best oscillators begin to wander
SHORTEST_SEGMENT_S = 0.12  # chosen: cells of 8 Hz hold the widest echoes
PLACES_CLOSER = 200  # chosen: how many of the best places are examined closer
# Chosen: a sum of many segments must exceed both its sides by this; less may be a filter's shape.
CONTRAST = 1.3
# No oscillator and no path by way of the Moon (2 Hz/s at 10 GHz) drifts more.
MOST_DRIFT_HZ_PER_S = 10.0
AT_ONCE = 1 << 21  # values in memory at once, so that an hour needs little of it
# This many cells from a line a Hann-weighted spectrum is 57 dB down.
TAPERED_CELLS = 6.0


@dataclass(frozen=True, slots=True)
class ToneCandidate:
    """A place where a tone may be. frequency_hz: at the middle of the recording, from the band's
    centre. segments: the K used. log_p: natural logarithm of the probability described above."""

    frequency_hz: float
    drift_hz_per_s: float
    segments: int
    log_p: float


@dataclass(frozen=True, slots=True)
class Looks:
    """What to search, in Hz from the band's centre. taper: Hann weights, against strong lines
    nearby, which cost a weak tone 1.8 dB. skip: stretches left out."""

    low_hz: float
    high_hz: float
    taper: bool = False
    skip: tuple[tuple[float, float], ...] = ()

    def skipped(
        self, frequency_hz: Real, segment_s: float, drift_hz_per_s: float
    ) -> NDArray[np.bool_]:
        """Returns which of the frequencies are left out in spectra of this length and drift, with
        the skirts that a strong line has in them."""
        left_out = np.zeros(frequency_hz.size, bool)
        more_hz = TAPERED_CELLS / segment_s + 0.5 * drift_hz_per_s * segment_s
        for low_hz, high_hz in self.skip:
            left_out |= (frequency_hz >= low_hz - more_hz) & (frequency_hz <= high_hz + more_hz)
        return left_out


def search(band: Baseband, looks: Looks) -> ToneCandidate | None:
    """Returns the most significant place; None if noise alone would do as much too often."""
    best: ToneCandidate | None = None
    scales = list(_scales(band.duration_s))
    for segments in scales:
        places = _scan(band, looks, segments, PLACES_CLOSER if segments == scales[0] else 1)
        # One half of the false alarms goes to the whole recording at once, one to all scales.
        share = np.log(2.0 * len(scales))
        weighed = [_weighed(p, share) for p in places[:1]]
        if segments == scales[0] and (closer := _closer(band, looks, segments, places)) is not None:
            weighed.append(_weighed(closer, np.log(2.0)))
        for place in weighed:
            if best is None or place.log_p < best.log_p:
                best = place
    return best if best is not None and best.log_p < np.log(FALSE_ALARM) else None


def widest_drift_hz_per_s(duration_s: float) -> float:
    """Returns the drift up to which a steady tone is found as deep in the noise as without."""
    segments = next(iter(_scales(duration_s)))
    return min(MOST_DRIFT_HZ_PER_S, LINES * LINE_STEP * segments / duration_s**2)


def _scales(duration_s: float) -> Iterator[int]:
    """Yields the numbers of segments to try, K."""
    segments = FEWEST_SEGMENTS
    while duration_s / segments > LONGEST_SEGMENT_S:
        segments *= 4
    yield segments
    while duration_s / (segments * 4) >= SHORTEST_SEGMENT_S:
        segments *= 4
        yield segments


def _weighed(place: ToneCandidate, share: float) -> ToneCandidate:
    """Returns the place with its probability raised for all that was searched besides."""
    return ToneCandidate(
        place.frequency_hz, place.drift_hz_per_s, place.segments, place.log_p + share
    )


def _log_places(line: NDArray[np.float64] | float, lines: int) -> Real:
    """Returns the logarithm of the factor by which the probability of drift number `line` of
    +-lines is raised. Small drifts are likelier, so they get the greater share of the false alarms,
    in proportion to 1 / (1 + |line|)."""
    total = 2.0 * float(np.sum(1.0 / np.arange(1, lines + 2))) - 1.0
    return np.asarray(np.log(total * (1.0 + np.abs(line))))


def log_tail(sums: Real, segments: int, floor_worth: float) -> Real:
    """Returns the logarithm of the probability that `segments` exponential variates add up to more
    than `sums` times a mean that was itself estimated from floor_worth others: the tail of an F
    distribution; where that underflows, Chernoff's bound on it."""
    k, n = float(segments), floor_worth
    with np.errstate(divide="ignore"):
        exact = np.log(special.fdtrc(2 * k, 2 * n, sums / k))
    x = np.maximum(sums, k)
    bound = k * np.log(x / k) - (k + n) * np.log((n + x) / (n + k))
    return np.asarray(np.where(exact > -600.0, exact, np.minimum(bound, -600.0)))


def _scan(band: Baseband, looks: Looks, segments: int, most: int) -> list[ToneCandidate]:
    """Returns the most significant places of one K, at most so many, the best first."""
    duration_s, rate_hz = band.duration_s, band.rate_hz
    size = band.z.size // segments
    segment_s = size / rate_hz
    bins = fft.next_fast_len(2 * size)
    step_hz = rate_hz / bins
    drift_step = LINE_STEP / (segment_s * duration_s)
    chirp_step = 2.0 / segment_s**2
    count = min(LINES, int(MOST_DRIFT_HZ_PER_S / drift_step))
    lines = np.arange(-count, count + 1)
    parts = band.z[: segments * size].reshape(segments, size)
    inside_s = (np.arange(size) - 0.5 * (size - 1)) / rate_hz
    middle_s = ((np.arange(segments) + 0.5) * size) / rate_hz - 0.5 * duration_s
    weight = _weight(size, looks.taper)
    first, last = int(np.floor(looks.low_hz / step_hz)), int(np.ceil(looks.high_hz / step_hz))
    reach = int(np.ceil(count * drift_step * 0.5 * duration_s / step_hz)) + 1
    wide = np.arange(first - reach, last + reach + 1)
    chirps = np.round(lines * drift_step / chirp_step).astype(int)
    floor: Floor | None = None
    rows: list[tuple[Real, NDArray[np.int64], int]] = []
    for chirp in sorted(set(chirps.tolist()), key=abs):
        turn = np.exp(-1j * np.pi * chirp * chirp_step * inside_s**2).astype(np.complex64)
        added = np.zeros((segments + 1, wide.size))
        whole = np.zeros(bins)
        group = max(1, AT_ONCE // bins)
        for i in range(0, segments, group):
            power = np.abs(fft.fft(parts[i : i + group] * (turn * weight), bins, axis=1)) ** 2
            np.cumsum(power[:, wide % bins], axis=0, out=added[i + 1 : i + 1 + group])
            added[i + 1 : i + 1 + group] += added[i]
            if floor is None:
                whole += power.sum(axis=0)
        if floor is None:
            floor = floor_of(whole, step_hz, band, segments, segment_s, wide)
        # Noise is 1 everywhere from here, so that a line across a slope does not stand out.
        added /= floor.mean
        dark = looks.skipped(wide * step_hz, segment_s, abs(chirp) * chirp_step)
        added[:, dark | (np.abs(wide) * step_hz > band.half_width_hz - 1.0)] = 0.0
        for line in lines[chirps == chirp]:
            shift = np.round(line * drift_step * middle_s / step_hz).astype(int)
            total = _along(added, shift, reach, last - first + 1)
            if segments > 16:
                sides = floor.sides[reach : reach + total.size]
                total[total < CONTRAST * sides * segments] = 0.0
            top = _top(total, most)
            rows.append((total[top], top, int(line)))
    if floor is None:
        return []
    values = np.concatenate([r[0] for r in rows])
    where = np.concatenate([r[1] for r in rows])
    line_of = np.concatenate([np.full(r[1].size, r[2]) for r in rows])
    cells = 2.0 * max(1.0, (looks.high_hz - looks.low_hz) * segment_s)
    log_p = log_tail(values, segments, floor.worth) + np.log(cells) + _log_places(line_of, count)
    frequency_hz, drift = (first + where) * step_hz, line_of * drift_step
    return [
        ToneCandidate(float(frequency_hz[i]), float(drift[i]), segments, float(log_p[i]))
        for i in _apart(log_p, frequency_hz * segment_s, line_of / 1.5, count=most)
    ]


def _weight(size: int, taper: bool) -> NDArray[np.float32]:
    """Returns the weights of the samples of a segment, of energy 1."""
    weight = np.hanning(size + 2)[1:-1] if taper else np.ones(size)
    return np.asarray(weight / np.sqrt(np.sum(weight**2)), np.float32)


def _along(added: Real, shift: NDArray[np.int_], reach: int, width: int) -> Real:
    """Returns the sums along one line, for all frequencies. added: running sums of the segments'
    spectra, so that a run of segments with the same shift is one difference."""
    total = np.zeros(width)
    edges = np.flatnonzero(np.diff(shift)) + 1
    for a, b in zip([0, *edges], [*edges, shift.size], strict=True):
        at = reach + int(shift[a])
        total += added[b, at : at + width] - added[a, at : at + width]
    return total


def _top(values: Real, count: int) -> NDArray[np.int64]:
    """Returns the indices of the largest values, in no order."""
    if values.size <= count:
        return np.arange(values.size)
    return np.argpartition(values, -count)[-count:]


def _apart(log_p: Real, cell: Real, line: Real, count: int) -> list[int]:
    """Returns the indices of the best places that are not the flank of a better one, which is
    within 1 of it in both cell and line."""
    order = np.argsort(log_p)[: 20 * count]
    left = np.ones(order.size, bool)
    picked: list[int] = []
    while left.any() and len(picked) < count:
        best = order[np.argmax(left)]
        picked.append(int(best))
        left &= (np.abs(cell[order] - cell[best]) >= 1.0) | (np.abs(line[order] - line[best]) >= 1)
    return picked


def _closer(
    band: Baseband, looks: Looks, segments: int, places: list[ToneCandidate]
) -> ToneCandidate | None:
    """Returns the best place with the whole recording as one segment, near those where its segments
    add up well: around each, a few cells of the whole spectrum are turned back into a short series
    of samples, which is transformed once more for each drift of a fan."""
    if not places:
        return None
    n, duration_s = band.z.size, band.duration_s
    spectrum = fft.fft(band.z * _weight(n, looks.taper))
    bins = np.arange(int(looks.low_hz * duration_s) - 1, int(looks.high_hz * duration_s) + 2)
    floor = floor_of(np.abs(spectrum) ** 2, 1.0 / duration_s, band, 1, duration_s, bins)
    spectrum[looks.skipped(fft.fftfreq(n, 1.0 / band.rate_hz), duration_s, 0.0)] = 0.0
    drift_step = LINE_STEP / duration_s**2
    lines = min(LINES * segments, int(MOST_DRIFT_HZ_PER_S / drift_step))
    width = min(n, 1 << int(np.ceil(np.log2(2.0 * lines * LINE_STEP + 64.0))))
    u_s = (np.arange(width) - 0.5 * (width - 1)) * duration_s / width
    fan = np.arange(-int(np.ceil(0.6 * segments)), int(np.ceil(0.6 * segments)) + 1) * drift_step
    cells = 2.0 * max(1.0, (looks.high_hz - looks.low_hz) * duration_s)
    best: ToneCandidate | None = None
    near = int(4.0 * 1.5 * segments)  # padded fourfold
    for place in places:
        middle = round(place.frequency_hz * duration_s)
        picked = spectrum[(middle + np.arange(width) - width // 2) % n]
        y = fft.ifft(fft.ifftshift(picked)) * np.sqrt(width)
        drifts = place.drift_hz_per_s + fan
        power = np.abs(fft.fft(y * np.exp(-1j * np.pi * drifts[:, None] * u_s**2), 4 * width)) ** 2
        power = np.concatenate((power[:, -near:], power[:, : near + 1]), axis=1) / width
        row, column = np.unravel_index(int(np.argmax(power)), power.shape)
        frequency_hz = (middle + 0.25 * (column - near)) / duration_s
        ratio = power[row, column] / floor.mean[np.clip(middle - bins[0], 0, bins.size - 1)]
        log_p = float(
            log_tail(np.array([ratio]), 1, floor.worth)[0]
            + np.log(cells)
            + _log_places(float(drifts[row] / drift_step), lines)
        )
        if best is None or log_p < best.log_p:
            best = ToneCandidate(float(frequency_hz), float(drifts[row]), 1, log_p)
    return best
