"""Frequency and drift of a tone whose place is roughly known, by maximum likelihood.

For a steady tone in white noise the likelihood is greatest where the power of the whole recording's
spectrum is greatest over frequency and drift (Rife and Boorstyn, IEEE Trans. Inf. Theory 20 (1974)
591; Abatzoglou, IEEE Trans. Aerosp. Electron. Syst. 22 (1986) 708, for the drift). The search is
right to a cell of its short segments only, and the peak of the whole recording is so narrow that it
would be missed from there. So `climb` approaches it with segments four times as long each time, as
long as the tone keeps its energy; a tone that loses energy is spread, and `fading` measures it.
Then `fit` climbs the last cell by Newton's method.

The estimate reaches the Cramer-Rao bound of the same sources (`bound`): with the energy E over the
noise density, in a time T, sqrt(6 / E) / (2 pi T) for the frequency. It is the frequency at the
middle of the recording, where its error does not depend on whether the drift is known. The bound
supposes that nothing but noise moves the phase. A real oscillator wanders; the phases of 24 parts
against the fit show it (`_wander`), and the stated uncertainty grows accordingly."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from moontrim.bench.tone.baseband import Baseband, Complex, Real
from moontrim.bench.tone.search import LINE_STEP, SHORTEST_SEGMENT_S, ToneCandidate

BLOCKS = 32  # a segment: sums that replace the samples; a cell or two off, they lose nothing
# Chosen: a tone whose energy falls by more than this share when segments get longer, beyond what
# noise does, is spread: fading turns its phase within them.
LOSES = 0.05
PARTS = 24  # chosen: of the recording, whose phases are compared with the fit
SIGNIFICANT = 2.5  # chosen: standard deviations; a steady tone exceeds them in 1 of 160
SURE = 3.0  # chosen: standard deviations, before a tone is called spread after all


@dataclass(frozen=True, slots=True)
class Follow:
    """The band turned back by the frequency and drift of a place, added up in blocks.

    y: shape (n,), sums; u_s: shape (n,), their times from the middle. A tone at the place is now
    near zero frequency, for which the sums lose nothing."""

    y: Complex
    u_s: Real
    frequency_hz: float
    drift_hz_per_s: float

    @property
    def step_s(self) -> float:
        """The time from one sum to the next."""
        return float(self.u_s[1] - self.u_s[0])


@dataclass(frozen=True, slots=True)
class Fit:
    """A steady tone. frequency_hz: at the middle, from the band's centre.

    energy_ratio: energy over noise density. uncertainties: 1 sigma, the Cramer-Rao bound, or more
    if the phase wanders. tapered_share: of the energy that a Hann-weighted spectrum shows: 2/3 for
    a tone, next to nothing for what only leaks from elsewhere."""

    frequency_hz: float
    drift_hz_per_s: float
    energy_ratio: float
    frequency_uncertainty_hz: float
    drift_uncertainty_hz_per_s: float
    tapered_share: float


def bound(energy_ratio: float, duration_s: float) -> tuple[float, float]:
    """Returns the Cramer-Rao bound (1 sigma) of frequency in Hz and drift in Hz/s of a tone of
    unknown amplitude and phase. energy_ratio: power / (noise power in 1 Hz) * duration."""
    frequency_hz = np.sqrt(6.0 / energy_ratio) / (2.0 * np.pi * duration_s)
    drift_hz_per_s = np.sqrt(90.0 / energy_ratio) / (np.pi * duration_s**2)
    return float(frequency_hz), float(drift_hz_per_s)


def follow(band: Baseband, place: ToneCandidate, blocks: int) -> Follow:
    """Returns the band turned back by the place, in about so many blocks of equal size; the rest at
    the end, less than a block, is left out."""
    size = max(1, band.z.size // blocks)
    count = band.z.size // size
    y = np.empty(count, complex)
    middle = 0.5 * (band.z.size - 1)
    chunk = max(1, (1 << 20) // size)
    for first in range(0, count, chunk):
        last = min(count, first + chunk)
        u_s = (np.arange(first * size, last * size) - middle) / band.rate_hz
        cycles = (place.frequency_hz + 0.5 * place.drift_hz_per_s * u_s) * u_s
        turned = band.z[first * size : last * size] * np.exp(-2j * np.pi * (cycles % 1.0))
        y[first:last] = turned.reshape(-1, size).sum(axis=1)
    u_s = (np.arange(count) * size + 0.5 * (size - 1) - middle) / band.rate_hz
    return Follow(y, u_s, place.frequency_hz, place.drift_hz_per_s)


def climb(band: Baseband, place: ToneCandidate, noise: float) -> tuple[ToneCandidate, float]:
    """Refines a place with ever longer segments, as long as the tone keeps its energy. Returns the
    place for the longest such, and its energy over `noise` (the density)."""
    followed = follow(band, place, BLOCKS * place.segments)
    scale = 2.0 / (noise * band.rate_hz * band.z.size)  # |sum|^2 of all samples -> energy ratio
    best, energy = _local_best(followed, place, place.segments, place.segments, scale)
    most = energy
    while best.segments > 1:
        segments = max(1, best.segments // 4)
        followed = follow(band, best, BLOCKS * max(segments, 4))
        longer, more = _local_best(followed, best, segments, best.segments, scale)
        slack = LOSES * most + SIGNIFICANT * np.sqrt(2.0 * max(most, 0.0) + best.segments)
        if more < most - slack:
            break
        best, energy = longer, more
        most = max(most, more)
    return (best if best.segments > 1 else _spread_after_all(band, best, energy, scale)), energy


def _spread_after_all(
    band: Baseband, place: ToneCandidate, energy: float, scale: float
) -> ToneCandidate:
    """Returns the place with more than one segment if the tone is spread although it climbed to
    one. A strong peak of a fading tone does: but its surroundings, in short segments, hold more
    energy than the peak, and those of a steady tone do not."""
    segments, most = 1, SURE
    for count in (4, 16, 64, 256):
        followed = follow(band, place, 4 * count)
        if followed.y.size < 4 * count or band.duration_s / count < SHORTEST_SEGMENT_S:
            break
        sums = followed.y[: 4 * count].reshape(count, 4).sum(axis=1)
        more = float(np.sum(np.abs(sums) ** 2)) * count * scale - count
        excess = (more - energy - LOSES * more) / np.sqrt(2.0 * max(more, 0.0) + count)
        if excess > most:
            segments, most = count, excess
    return replace(place, segments=segments)


def _local_best(
    followed: Follow, place: ToneCandidate, segments: int, before: int, scale: float
) -> tuple[ToneCandidate, float]:
    """Returns the maximum of the power added over `segments`, near a place that comes from `before`
    segments, and its excess over the noise as an energy ratio.

    scale: of |sum of all samples|^2, to an energy ratio."""
    y, u_s = followed.y, followed.u_s
    size = y.size // segments
    duration_s = y.size * followed.step_s
    fine = LINE_STEP * segments / duration_s**2
    count = int(np.ceil(0.7 * before / segments * 2.0))
    bins = 8 * size
    near = int(np.ceil(8.0 * 1.2 * before / segments))
    near = min(near, bins // 2 - 1)
    parts = slice(0, size * segments)
    best, where = -1.0, (0.0, 0.0)
    for drift in np.arange(-count, count + 1) * 0.5 * fine:
        turned = (y * np.exp(-1j * np.pi * drift * u_s**2))[parts].reshape(segments, size)
        power = (np.abs(fft.fft(turned, bins, axis=1)) ** 2).sum(axis=0)
        power = np.concatenate((power[-near:], power[: near + 1]))
        top = int(np.argmax(power))
        if power[top] > best:
            best = float(power[top])
            where = ((top - near) / (bins * followed.step_s), float(drift))
    # The |sum|^2 of a segment is its share of the samples, squared: hence times segments.
    energy = best * segments * scale - segments
    candidate = ToneCandidate(
        place.frequency_hz + where[0], place.drift_hz_per_s + where[1], segments, place.log_p
    )
    return candidate, energy


def fit(band: Baseband, place: ToneCandidate, noise: float) -> Fit:
    """Returns the steady tone at a place that is right to about a cell (1 / duration)."""
    for _ in range(2):
        followed = follow(band, place, 512)
        change_hz, change_drift = _maximise(followed)
        place = ToneCandidate(
            place.frequency_hz + change_hz, place.drift_hz_per_s + change_drift, 1, place.log_p
        )
    followed = follow(band, place, 512)
    duration_s = followed.y.size * followed.step_s
    total = followed.y.sum()
    per_sample = 2.0 / (noise * band.rate_hz * band.z.size)
    # Two parameters fitted for the most power pick up that much of the noise.
    energy = max(abs(total) ** 2 * per_sample - 2.0, 1e-3)
    window = np.hanning(followed.y.size + 2)[1:-1]
    tapered = np.sum(followed.y * window)
    wander = _wander(followed, total, noise * band.rate_hz / 2.0 * band.z.size)
    frequency_hz, drift = bound(energy, duration_s)
    return Fit(
        place.frequency_hz,
        place.drift_hz_per_s,
        energy,
        frequency_hz * wander,
        drift * wander,
        abs(tapered) ** 2 * per_sample / float(np.mean(window**2)) / energy,
    )


def _maximise(followed: Follow) -> tuple[float, float]:
    """Returns the change of frequency and drift that maximises the power of the sum of
    y exp(-i(a u + b u^2)): Newton's method on its logarithm, from the best point of a grid that
    reaches one cell around."""
    duration_s = followed.y.size * followed.step_s
    u = followed.u_s / duration_s  # -1/2 to 1/2
    y = followed.y
    best, a, b = -1.0, 0.0, 0.0
    for b_try in np.linspace(-6.0, 6.0, 13):
        turned = y * np.exp(-1j * b_try * u**2)
        for a_try in np.linspace(-6.0, 6.0, 13):
            power = abs(np.sum(turned * np.exp(-1j * a_try * u)))
            if power > best:
                best, a, b = power, float(a_try), float(b_try)
    for _ in range(30):
        turned = y * np.exp(-1j * (a * u + b * u**2))
        m = [np.sum(turned * u**k) for k in range(5)]
        step = _newton_step(m)
        size = float(np.hypot(*step))
        step *= min(1.0, 1.0 / size) if size > 0.0 else 1.0
        a, b = a + step[0], b + step[1]
        if size < 1e-9:
            break
    return a / (2.0 * np.pi * duration_s), b / (np.pi * duration_s**2)


def _newton_step(m: list[complex]) -> NDArray[np.float64]:
    """Returns the step in a and b. m[k]: sum of y exp(...) u^k, so that for L = ln |m0|^2 the
    derivative dL/da is 2 Im(m1/m0), and so on."""
    r = [x / m[0] for x in m]
    gradient = np.array([2.0 * r[1].imag, 2.0 * r[2].imag])
    hessian = np.empty((2, 2))
    for i, p in enumerate((1, 2)):
        for j, q in enumerate((1, 2)):
            hessian[i, j] = -2.0 * (r[p + q] - r[p] * r[q]).real
    if np.linalg.eigvalsh(hessian)[1] >= 0.0:  # not yet near the top: uphill
        return 0.5 * gradient
    return -np.linalg.solve(hessian, gradient)


def _wander(followed: Follow, total: complex, noise_energy: float) -> float:
    """Returns the factor by which a wandering phase raises the uncertainty; 1 unless the wander is
    significant.

    The parts of the recording are turned to the mean phase of the tone. What is then across it is
    nothing but noise for a steady tone: more variance than noise has is wander. If neighbouring
    parts are alike, the wander is slow, and counts for more, since it passes for a frequency."""
    size = followed.y.size // PARTS
    parts = followed.y[: size * PARTS].reshape(PARTS, size).sum(axis=1)
    across = (parts * np.exp(-1j * np.angle(total))).imag
    # Of complex noise half is across; of the whole energy one part's share.
    variance = 0.5 * noise_energy / PARTS
    freedom = PARTS - 3
    excess = float(np.sum(across**2)) / variance / freedom
    if excess < 1.0 + SIGNIFICANT * np.sqrt(2.0 / freedom):
        excess = 1.0
    alike = float(np.sum(across[1:] * across[:-1]) / max(np.sum(across**2), 1e-300))
    slow = 1.0
    if alike > SIGNIFICANT / np.sqrt(PARTS):
        slow = (1.0 + min(alike, 0.95)) / (1.0 - min(alike, 0.95))
    return float(np.sqrt(excess * slow))
