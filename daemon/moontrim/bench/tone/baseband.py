"""A band of audio as complex samples about its middle, at a low rate, and its noise density.

Works in blocks, so that an hour of sound needs little memory."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal, special

Complex = NDArray[np.complex128]
Real = NDArray[np.floating[Any]]

# Chosen: a line outside the band that is 80 dB over the noise in 1 Hz adds no more than that noise.
STOPBAND_DB = 80.0
BLOCK = 1 << 20  # samples at once: 16 MB of complex values
DENSITY_S = 4.0  # chosen: length of the spectra averaged for the noise density, 0.25 Hz a cell
# Chosen: on the skirt of a filter the median around a frequency is too low. Where one side exceeds
# it by this ratio, that side is taken for the noise.
STEEP = 1.4
CLOSE_HZ = 40.0  # chosen: noise is measured within this of a frequency (short recording: wider)


@dataclass(frozen=True, slots=True)
class Baseband:
    """A band of audio, mixed down to zero.

    z: shape (n,), samples about centre_hz at rate_hz, the first at the first one of the recording.
    half_width_hz: from the centre to the edges within which the filter is flat."""

    z: NDArray[np.complex64]
    rate_hz: float
    centre_hz: float
    half_width_hz: float

    @property
    def duration_s(self) -> float:
        """The length of the recording in seconds."""
        return self.z.size / self.rate_hz

    def times_s(self) -> Real:
        """Returns the time of each sample, shape (n,), from the middle of the recording."""
        return (np.arange(self.z.size) - 0.5 * (self.z.size - 1)) / self.rate_hz

    @property
    def neighbourhood_hz(self) -> float:
        """The half width of the stretch in which the noise near a frequency is measured."""
        return max(CLOSE_HZ, 75.0 / self.duration_s)


def baseband(samples: Real, rate_hz: float, low_hz: float, high_hz: float) -> Baseband:
    """Returns the band from low_hz to high_hz with some noise around it.

    samples: shape (n,), real."""
    margin_hz = max(CLOSE_HZ, 75.0 * rate_hz / samples.size) + 5.0
    half_hz = 0.5 * (high_hz - low_hz) + margin_hz
    centre_hz = 0.5 * (high_hz + low_hz)
    factor = max(1, int(rate_hz / (2.6 * half_hz)))
    z = _decimate(samples, centre_hz / rate_hz, factor, half_hz / rate_hz)
    return Baseband(z, rate_hz / factor, centre_hz, half_hz)


def _decimate(
    samples: Real, centre: float, factor: int, half_width: float
) -> NDArray[np.complex64]:
    """Mixes `centre` (cycles a sample) to zero, filters out what is beyond half_width, and returns
    every factor-th sample. With a factor of 1 there is nothing to filter."""
    count = samples.size // factor
    if factor == 1:
        taps, reach = np.ones(1), 0
    else:
        transition = 1.0 / factor - 2.0 * half_width
        length, beta = signal.kaiserord(STOPBAND_DB, 2.0 * transition)
        reach = factor * -(-length // (2 * factor))  # whole output samples, for upfirdn
        taps = signal.firwin(2 * reach + 1, 1.0 / factor, window=("kaiser", beta), fs=2.0)
    z = np.empty(count, np.complex64)
    for first in range(0, count, max(1, BLOCK // factor)):
        last = min(count, first + max(1, BLOCK // factor))
        start, end = first * factor - reach, (last - 1) * factor + reach + 1
        a, b = max(0, start), min(samples.size, end)
        turned = samples[a:b] * np.exp(-2j * np.pi * ((centre * np.arange(a, b)) % 1.0))
        turned = np.concatenate((np.zeros(a - start), turned, np.zeros(end - b)))
        out = signal.upfirdn(taps, turned, 1, factor)
        skip = 2 * reach // factor
        z[first:last] = out[skip : skip + last - first]
    return z


@dataclass(frozen=True, slots=True)
class Density:
    """Power density per Hz over frequency (Hz from the centre), both of shape (cells,).

    One-sided, so that a tone of power P in noise of density N has the ratio P/N in 1 Hz. looks:
    the number of spectra averaged. step_hz: width of a cell."""

    frequency_hz: Real
    power: Real
    looks: int
    step_hz: float

    def noise_at(self, frequency_hz: float, half_width_hz: float, leave_out_hz: float) -> float:
        """Returns the mean density around a frequency, by its median, without what is nearer than
        leave_out_hz. On the skirt of a filter the higher side counts."""
        off_hz = self.frequency_hz - frequency_hz
        around = (np.abs(off_hz) <= half_width_hz) & (np.abs(off_hz) >= leave_out_hz)
        sides = [self.power[around & side] for side in (off_hz < 0.0, off_hz > 0.0)]
        medians = [float(np.median(side)) for side in sides if side.size]
        if not medians:
            return 0.0
        middle = float(np.median(self.power[around]))
        higher = max(medians)
        return (higher if higher > STEEP * middle else middle) / median_of_mean(self.looks)


def density(band: Baseband) -> Density:
    """Returns the power density of a band, Hann-weighted, so that a strong tone does not leak over
    the noise beside it."""
    size = min(band.z.size, int(DENSITY_S * band.rate_hz))
    looks = band.z.size // size
    window = signal.windows.hann(size, sym=False)
    total = np.zeros(size)
    for k in range(looks):
        spectrum = fft.fft(band.z[k * size : (k + 1) * size] * window)
        total += np.abs(spectrum) ** 2
    # A real tone of power P appears here with power P/2, real noise of density N with N/2.
    power = 2.0 * total / (looks * band.rate_hz * float(np.sum(window**2)))
    frequency_hz = fft.fftfreq(size, 1.0 / band.rate_hz)
    order = np.argsort(frequency_hz)
    inside = order[np.abs(frequency_hz[order]) <= band.half_width_hz]
    return Density(frequency_hz[inside], power[inside], looks, band.rate_hz / size)


def median_of_mean(looks: int) -> float:
    """Returns the median of the mean of so many independent exponential variates of mean 1."""
    return float(special.gammaincinv(looks, 0.5)) / looks
