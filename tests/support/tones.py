"""Made-up recordings of tones in noise, with known numbers."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from moontrim.bench.recording import Recording

Noise = Literal["white", "flicker", "receiver", "hum"]
Array = NDArray[np.floating[Any]]
NOISE_RMS = 0.05


def noise(
    rng: np.random.Generator, seconds: float, rate_hz: int, kind: Noise
) -> tuple[Array, Array]:
    """Returns samples, and their power density (one-sided, per Hz) at each Hz from 0."""
    n = int(seconds * rate_hz)
    frequency_hz = np.fft.rfftfreq(n, 1.0 / rate_hz)
    whole_hz = np.arange(rate_hz // 2 + 1.0)

    def shape(f: Array) -> Array:
        if kind == "flicker":
            return np.asarray(1.0 / np.sqrt(np.maximum(f, 20.0)))
        if kind == "receiver":
            steps = _pass(f, low_hz, high_hz, steep_hz) ** 2 + 1e-5
            ripples = 10.0 ** (ripple_db * np.cos(2.0 * np.pi * f / every_hz) / 20.0)
            return np.asarray(np.sqrt(steps) * ripples)
        return np.ones_like(f)

    low_hz, high_hz = rng.uniform(200.0, 350.0), rng.uniform(2400.0, 3000.0)
    steep_hz, ripple_db = rng.uniform(20.0, 80.0), rng.uniform(0.2, 1.2)
    every_hz = rng.uniform(150.0, 800.0)
    spectrum = np.fft.rfft(rng.standard_normal(n)) * shape(frequency_hz)
    samples = np.fft.irfft(spectrum, n)
    scale = NOISE_RMS / float(np.std(samples))
    samples *= scale
    density = shape(whole_hz) ** 2 * scale**2 * 2.0 / rate_hz
    if kind == "hum":
        mains_hz = rng.choice([50.0, 60.0]) * (1.0 + rng.normal() * 3e-4)
        t = np.arange(n) / rate_hz
        for order in range(1, int(rng.integers(6, 25))):
            power = 10.0 ** (rng.uniform(5.0, 35.0) / 10.0) * density[0]
            turn = 2.0 * np.pi * order * mains_hz * t + rng.uniform(0.0, 6.28)
            samples += np.sqrt(2.0 * power) * np.cos(turn)
    return samples, density


def _pass(f: Array, low_hz: float, high_hz: float, steep_hz: float) -> Array:
    up = np.clip(4.0 * (f - low_hz) / steep_hz, -50.0, 50.0)
    down = np.clip(4.0 * (f - high_hz) / steep_hz, -50.0, 50.0)
    return np.asarray(1.0 / (1.0 + np.exp(-up)) / (1.0 + np.exp(down)))


def tone(
    rng: np.random.Generator, n: int, rate_hz: int, frequency_hz: float, drift_hz_per_s: float,
    power: float, spread_hz: float = 0.0,
) -> Array:  # fmt: skip
    """frequency_hz at the middle. spread_hz: standard deviation of the bell-shaped spectrum of the
    complex Gaussian process that its amplitude then is; power is the mean."""
    t = (np.arange(n) - 0.5 * (n - 1)) / rate_hz
    phase = 2.0 * np.pi * (frequency_hz * t + 0.5 * drift_hz_per_s * t**2)
    if spread_hz == 0.0:
        return np.asarray(np.sqrt(2.0 * power) * np.cos(phase + rng.uniform(0.0, 2.0 * np.pi)))
    low_hz = 64.0
    m = int(n / rate_hz * low_hz) + 64
    f = np.fft.fftfreq(m, 1.0 / low_hz)
    bell = np.exp(-0.25 * (f / spread_hz) ** 2)
    fade = np.fft.ifft(np.fft.fft(rng.standard_normal(m) + 1j * rng.standard_normal(m)) * bell)
    fade /= np.sqrt(2.0 * np.mean(bell**2))
    at, grid = np.arange(n) / rate_hz, np.arange(m) / low_hz
    amplitude = np.interp(at, grid, fade.real) + 1j * np.interp(at, grid, fade.imag)
    return np.asarray(np.sqrt(2.0 * power) * (amplitude * np.exp(1j * phase)).real)


def recording(
    rng: np.random.Generator, seconds: float, rate_hz: int, frequency_hz: float, *,
    energy_db: float | None = None, cn0_db_hz: float | None = None, drift_hz_per_s: float = 0.0,
    spread_hz: float = 0.0, kind: Noise = "white",
) -> Recording:  # fmt: skip
    """Returns a tone of this energy over the noise density at its frequency, or this SNR in 1
    Hz."""
    samples, density = noise(rng, seconds, rate_hz, kind)
    at = float(density[round(frequency_hz)])
    if energy_db is not None:
        cn0_db_hz = energy_db - 10.0 * np.log10(seconds)
    assert cn0_db_hz is not None
    power = 10.0 ** (cn0_db_hz / 10.0) * at
    samples = samples + tone(
        rng, samples.size, rate_hz, frequency_hz, drift_hz_per_s, power, spread_hz
    )
    return Recording(samples, float(rate_hz), ())
