"""A tone spread by fading: its centre, width and drift, by maximum likelihood.

An echo from the Moon fades as the reflecting points move against each other; its spectrum is a
hump, a few Hz wide, and it has no steady phase for `fit` to follow. It is modelled as a complex
Gaussian process whose spectrum is a bell on flat noise:

    S(f, t) = noise * (1 + height * exp(-(f - centre - drift * t)^2 / (2 width^2)))

The recording is cut into short Hann-weighted spectra. Their cells P are nearly independent
exponential variates of mean S, so that the likelihood is the sum of -(ln S + P / S) over the cells
(Whittle, Ark. Mat. 2 (1953) 423). Fisher's scoring, damped as in the method of Levenberg and
Marquardt, maximises it over centre, drift and the logarithms of width, height and noise; the
inverse of the information matrix is their covariance. Two matters of detail: how long the spectra
should be depends on the width, so that the fit is repeated with the width that it gave; and a
narrow peak of the noise on the hump can be a local maximum, so that the fit starts from four widths
and the most likely result counts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from moontrim.bench.tone.baseband import Baseband, Real
from moontrim.bench.tone.fit import Follow, follow
from moontrim.bench.tone.search import ToneCandidate

WIDEST_HZ = 15.0  # chosen: standard deviation; a wider hump is the shape of a filter
# Spectra that overlap by half contain each sample twice, so that the likelihood counts it about so
# many times. The value gives right uncertainties for Hann weights (tests/authority).
OVERLAP = 2.3


@dataclass(frozen=True, slots=True)
class SpreadFit:
    """A spread tone. frequency_hz: at the middle, from the band's centre. uncertainties: 1 sigma.
    width_hz: standard deviation of the bell. power_ratio: power of the tone over the noise in 1 Hz.
    gain: of the logarithm of the likelihood, over noise alone."""

    frequency_hz: float
    drift_hz_per_s: float
    frequency_uncertainty_hz: float
    drift_uncertainty_hz_per_s: float
    width_hz: float
    power_ratio: float
    gain: float


def fit_spread(band: Baseband, place: ToneCandidate, density: float) -> SpreadFit | None:
    """Returns the fit around a place that is right to about the width; None if there is no such
    hump, or too little of it. density: of the noise, power per Hz."""
    guess_hz = max(0.4 * place.segments / band.duration_s, 1.0 / band.duration_s)
    fits = [_settled(band, place, density, guess_hz * factor) for factor in (0.4, 1.0, 2.5, 6.0)]
    return max((f for f in fits if f is not None), key=lambda f: f.gain, default=None)


def _settled(
    band: Baseband, place: ToneCandidate, density: float, width_hz: float
) -> SpreadFit | None:
    """Returns the fit from one width to start from, repeated until the width settles: it decides
    how long the spectra are, and how wide the stretch that is fitted."""
    result: SpreadFit | None = None
    for _ in range(3):
        result = _fit(band, place, density, width_hz)
        if result is None or not 0.0 < result.width_hz < WIDEST_HZ:
            return None
        place = ToneCandidate(
            result.frequency_hz, result.drift_hz_per_s, place.segments, place.log_p
        )
        if abs(np.log(result.width_hz / width_hz)) < 0.2:
            break
        width_hz = max(result.width_hz, 0.5 / band.duration_s)
    return result


def _fit(band: Baseband, place: ToneCandidate, density: float, width_hz: float) -> SpreadFit | None:
    """Returns the fit with spectra for a hump of about this width."""
    duration_s = band.duration_s
    half_hz = max(8.0 * width_hz, 12.0 / duration_s)
    blocks = int(min(duration_s * 4.0 * half_hz, band.z.size))
    followed = follow(band, place, blocks)
    segment_s = float(np.clip(5.0 / width_hz, 8.0 * followed.step_s, duration_s / 4.0))
    power, frequency_hz, middle_s = _spectra(followed, segment_s, half_hz)
    # In units of the noise, of which a block of so many samples has so much.
    samples = band.z.size / followed.y.size
    power /= density * band.rate_hz / 2.0 * samples
    near = max(width_hz, frequency_hz[1] - frequency_hz[0])
    excess = float(np.mean(power[:, np.abs(frequency_hz) < near])) - 1.0
    start = np.array([0.0, 0.0, np.log(near), np.log(max(excess, 0.05)), 0.0])
    solution = _score(power, frequency_hz, middle_s, start)
    if solution is None:
        return None
    values, covariance, gain = solution
    width = float(np.exp(values[2]))
    height = float(np.exp(values[3]))
    errors = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    if errors[3] > 0.7 or abs(values[0]) > half_hz:
        return None
    return SpreadFit(
        place.frequency_hz + float(values[0]),
        place.drift_hz_per_s + float(values[1]),
        float(errors[0]),
        float(errors[1]),
        width,
        height * width * float(np.sqrt(2.0 * np.pi)),
        gain,
    )


def _spectra(followed: Follow, segment_s: float, half_hz: float) -> tuple[Real, Real, Real]:
    """Returns the power of Hann-weighted spectra that overlap by half, shape (spectra, cells), for
    blocks of noise power 1; the frequencies of the cells and the middles of the spectra."""
    size = max(8, int(segment_s / followed.step_s))
    starts = np.arange(0, followed.y.size - size + 1, size // 2)
    window = np.hanning(size + 2)[1:-1]
    window /= np.sqrt(np.sum(window**2))
    parts = np.stack([followed.y[s : s + size] for s in starts]) * window
    power = np.abs(fft.fft(parts, axis=1)) ** 2
    frequency_hz = fft.fftfreq(size, followed.step_s)
    inside = np.flatnonzero(np.abs(frequency_hz) <= half_hz)
    inside = inside[np.argsort(frequency_hz[inside])]
    middle_s = followed.u_s[starts] + 0.5 * (size - 1) * followed.step_s
    return power[:, inside], frequency_hz[inside], middle_s


def _score(
    power: Real, frequency_hz: Real, middle_s: Real, start: Real
) -> tuple[Real, Real, float] | None:
    """Maximises the likelihood by Fisher's scoring over centre, drift, log width, log height and
    log noise. Returns these five, their covariance and the gain over noise alone; None if it does
    not converge."""
    values = start.copy()

    def model(v: Real) -> tuple[Real, Real]:
        """Returns the mean power S of each cell, and its derivatives by the five parameters."""
        x = (frequency_hz[None, :] - v[0] - v[1] * middle_s[:, None]) / np.exp(v[2])
        bell = np.exp(v[3] + v[4] - 0.5 * x**2)
        noise = np.exp(v[4])
        slopes = np.stack(
            (
                bell * x / np.exp(v[2]),
                bell * x / np.exp(v[2]) * middle_s[:, None],
                bell * x**2,
                bell,
                bell + noise,
            )
        )
        return bell + noise, slopes

    def badness(v: Real) -> float:
        """Returns the negative logarithm of the likelihood."""
        mean, _ = model(v)
        return float(np.sum(np.log(mean) + power / mean))

    now = badness(values)
    damping = 1e-3
    for _ in range(100):
        mean, slopes = model(values)
        relative = slopes / mean
        information = np.einsum("ikl,jkl->ij", relative, relative)
        gradient = np.einsum("ikl,kl->i", relative, power / mean - 1.0)
        try:
            step = np.linalg.solve(information + damping * np.diag(np.diag(information)), gradient)
        except np.linalg.LinAlgError:
            return None
        step[2:] = np.clip(step[2:], -0.7, 0.7)
        trial = badness(values + step)
        if trial <= now:
            values, gain, now = values + step, now - trial, trial
            damping = max(damping * 0.3, 1e-9)
            if gain < 1e-6:
                break
        else:
            damping *= 10.0
            if damping > 1e9:
                break
    _, slopes = model(values)
    relative = slopes / model(values)[0]
    information = np.einsum("ikl,jkl->ij", relative, relative)
    try:
        covariance = np.linalg.inv(information) * OVERLAP
    except np.linalg.LinAlgError:
        return None
    alone = power.size * (1.0 + float(np.log(np.mean(power))))
    if not np.all(np.isfinite(covariance)):
        return None
    return values, covariance, (alone - now) / OVERLAP
