"""The accuracy of `moontrim tone` against the Cramer-Rao bound, and how often it is fooled.

The bound for frequency and drift with amplitude and phase unknown: Rife and Boorstyn, IEEE Trans.
Inf. Theory 20 (1974) 591, equation (18); Kay, Fundamentals of Statistical Signal Processing vol. I
(1993), example 3.14 (from memory), written here from the Fisher information itself. It holds where
the energy is 16 dB over the noise density. MOONTRIM_LONG=1 runs 1,000 cases of each."""

from __future__ import annotations

import numpy as np
import pytest

from moontrim.bench.recording import Recording
from moontrim.bench.tone.fit import bound
from moontrim.bench.tone.measure import Tone, measure
from moontrim.bench.tone.search import widest_drift_hz_per_s
from support.effort import MOST
from support.tones import Noise, noise, recording

TONES, FADING, TONE_FREE = (1000, 400, 1000) if MOST else (70, 12, 70)
SECONDS = (1.0, 2.0, 5.0, 10.0, 20.0) if MOST else (1.0, 2.0, 5.0)
RATES_HZ = (4000, 6000, 8000, 11025)
KINDS: tuple[Noise, ...] = ("white", "flicker")
FREE_KINDS: tuple[Noise, ...] = ("white", "flicker", "receiver", "hum")


def fisher(energy_ratio: float, duration_s: float) -> tuple[float, float]:
    """Bound of frequency (Hz) and drift (Hz/s), from the information matrix of phase, frequency,
    drift of a sampled tone; amplitude is orthogonal to them."""
    n = 4001
    u = (np.arange(n) - 0.5 * (n - 1)) / n * duration_s
    slopes = np.stack((np.ones(n), 2.0 * np.pi * u, np.pi * u**2))
    information = 2.0 * energy_ratio / n * slopes @ slopes.T
    covariance = np.linalg.inv(information)
    return float(np.sqrt(covariance[1, 1])), float(np.sqrt(covariance[2, 2]))


def test_the_bound_is_that_of_the_information_matrix() -> None:
    for energy, duration_s in ((40.0, 1.0), (1e4, 400.0)):
        assert np.allclose(bound(energy, duration_s), fisher(energy, duration_s), rtol=1e-3)


def test_random_tones_come_out_within_one_and_a_half_times_the_bound() -> None:
    """Energies from 16 to 46 dB over the noise density; two of three cases near 16 dB."""
    rng = np.random.default_rng(1974)
    frequency, drift, covered, detected, weak = [], [], [], 0, []
    for case in range(TONES):
        rate_hz = int(rng.choice(RATES_HZ))
        seconds = float(rng.choice(SECONDS))
        if MOST and case % 20 == 0:
            rate_hz, seconds = (48_000, 20.0) if case % 40 else (4000, 100.0)
        energy_db = 16.0 if case % 3 else rng.uniform(16.0, 46.0)
        at_hz = rng.uniform(300.0, 0.4 * rate_hz)
        limit = widest_drift_hz_per_s(seconds)
        drift_hz_per_s = 0.0 if case % 2 else float(rng.uniform(-0.9, 0.9) * limit)
        made = recording(
            rng, seconds, rate_hz, at_hz,
            energy_db=energy_db, drift_hz_per_s=drift_hz_per_s, kind=KINDS[case % 4 // 2],
        )  # fmt: skip
        tone = measure(made)
        if energy_db == 16.0:
            weak.append(tone.detected)
        detected += tone.detected
        if not tone.detected:
            continue
        bound_hz, bound_drift = fisher(10.0 ** (energy_db / 10.0), seconds)
        frequency.append((tone.frequency_hz - at_hz) / bound_hz)
        drift.append((tone.drift_hz_per_s - drift_hz_per_s) / bound_drift)
        covered.append((tone.frequency_hz - at_hz) / tone.uncertainty_hz)
    frequency_rms, drift_rms = (float(np.sqrt(np.mean(np.square(x)))) for x in (frequency, drift))
    inside = np.mean(np.abs(covered) < 1.0), np.mean(np.abs(covered) < 1.96)
    print(
        f"{detected} of {TONES} found, {np.mean(weak):.3f} at 16 dB; RMS over bound: frequency "
        f"{frequency_rms:.3f}, drift {drift_rms:.3f}; within 1 sigma {inside[0]:.3f}, 1.96 sigma "
        f"{inside[1]:.3f}"
    )
    assert frequency_rms < 1.5
    assert drift_rms < 1.5
    slack = 3.0 / np.sqrt(len(covered))
    assert abs(inside[0] - 0.683) < 0.5 * slack
    assert inside[1] > 0.95 - 0.25 * slack
    assert np.mean(weak) > 0.9 - 0.9 / np.sqrt(len(weak))


def test_the_uncertainty_of_a_fading_tone_covers_its_error() -> None:
    """A complex Gaussian fade of 1 to 6 Hz at half power: the bound above does not apply."""
    rng = np.random.default_rng(7)
    covered, detected = [], 0
    for _ in range(FADING):
        seconds, rate_hz = float(rng.choice([20.0, 40.0, 60.0])), 4000
        at_hz, spread_hz = rng.uniform(600.0, 1400.0), rng.uniform(0.5, 2.5)
        made = recording(
            rng, seconds, rate_hz, at_hz, cn0_db_hz=rng.uniform(8.0, 18.0), spread_hz=spread_hz
        )
        tone = measure(made, near_hz=round(at_hz, -1), within_hz=100.0)
        if tone.detected:
            detected += 1
            covered.append((tone.frequency_hz - at_hz) / tone.uncertainty_hz)
    inside = np.mean(np.abs(covered) < 1.0), np.mean(np.abs(covered) < 1.96)
    print(
        f"fading: {detected} of {FADING} found; within 1 sigma {inside[0]:.3f}, 1.96 sigma "
        f"{inside[1]:.3f}, RMS {np.sqrt(np.mean(np.square(covered))):.2f}"
    )
    assert detected > 0.9 * FADING
    slack = 3.0 / np.sqrt(len(covered))
    assert inside[0] > 0.683 - 0.5 * slack
    assert inside[1] > 0.95 - 0.25 * slack


def _free(rng: np.random.Generator, case: int) -> Tone:
    kind = FREE_KINDS[case % 4]
    rate_hz = int(rng.choice(RATES_HZ if case % 4 < 2 else (8000, 11025)))
    seconds = float(rng.choice(SECONDS))
    samples, _ = noise(rng, seconds, rate_hz, kind)
    return measure(Recording(samples, float(rate_hz), ()))


@pytest.mark.long
def test_noise_alone_is_no_tone() -> None:
    """White, flicker, shaped by a receiver, with mains hum: under 1 % of recordings."""
    rng = np.random.default_rng(3)
    fooled = [case for case in range(TONE_FREE) if _free(rng, case).detected]
    print(f"tone-free: {len(fooled)} of {TONE_FREE} taken for a tone")
    assert len(fooled) <= max(1, 0.01 * TONE_FREE)
