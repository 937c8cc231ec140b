"""Independent errors added up: how far from zero their sum stays 19 times out of 20.

The distributions are convolved numerically, so that the figure holds for a sum of normal errors as
well as for one uniform error that outweighs the rest (1.96 sigma would be 19 % too much there).
Knows nothing of where errors come from; the unit is the caller's."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from moontrim.path.vectors import Array

# A normal error is taken to reach so many sigmas when its largest is asked for (99.7 %).
NORMAL_REACH = 3.0
# The same for the width of the grid: what lies beyond would wrap around.
GRID_REACH = 8.0
POINTS = 8192
# Less than this is no error in any unit that matters, and a grid for it would overflow.
NOTHING = 1e-12
# Blurring by so many grid steps keeps sharp edges from ringing.
BLUR = 1.5


class Distribution(Protocol):
    """Of one error."""

    @property
    def rms(self) -> float:
        """Root mean square about zero: sigma, where the mean is zero."""

    @property
    def largest(self) -> float:
        """Size of the largest that occurs (normal: 3 sigma)."""

    @property
    def shape(self) -> str:
        """In a word."""

    def transform(self, step: float) -> NDArray[np.complex128]:
        """Fourier transform of the probabilities on a grid of POINTS steps round zero, as `rfft`
        orders it."""


@dataclass(frozen=True)
class Normal:
    sigma: float
    shape: str = "normal"

    @property
    def rms(self) -> float:
        return self.sigma

    @property
    def largest(self) -> float:
        return NORMAL_REACH * self.sigma

    def transform(self, step: float) -> NDArray[np.complex128]:
        return np.exp(-0.5 * (self.sigma * _rates(step)) ** 2).astype(np.complex128)


@dataclass(frozen=True)
class Uniform:
    """Every value from low to high as likely as any other; low = high is a fixed error."""

    low: float
    high: float
    shape: str = "uniform"

    @property
    def rms(self) -> float:
        return math.sqrt((self.low**2 + self.low * self.high + self.high**2) / 3.0)

    @property
    def largest(self) -> float:
        return max(abs(self.low), abs(self.high))

    def transform(self, step: float) -> NDArray[np.complex128]:
        rates = _rates(step)
        half, middle = 0.5 * (self.high - self.low), 0.5 * (self.high + self.low)
        return np.asarray(np.sinc(half * rates / np.pi) * np.exp(-1j * middle * rates))


@dataclass(frozen=True)
class Sampled:
    """Each of the values as likely as any other. largest: of what they were sampled from."""

    values: Array
    largest: float
    shape: str = "square"

    @property
    def rms(self) -> float:
        return float(np.sqrt(np.mean(self.values**2)))

    def transform(self, step: float) -> NDArray[np.complex128]:
        at = self.values.ravel() / step
        below = np.floor(at)
        above_share = at - below
        index = below.astype(np.int64)
        weights = np.bincount(index % POINTS, 1.0 - above_share, POINTS)
        weights += np.bincount((index + 1) % POINTS, above_share, POINTS)
        return np.asarray(np.fft.rfft(weights / at.size))


def root_sum_square(errors: Sequence[Distribution]) -> float:
    """Of the root mean squares."""
    return math.hypot(*(error.rms for error in errors))


def bound95(errors: Sequence[Distribution]) -> float:
    """The size that the sum of independent errors does not exceed with a probability of 95 %. Good
    to 0.1 % of itself; 0 without errors."""
    present = [error for error in errors if error.largest > NOTHING]
    if not present:
        return 0.0
    normal = GRID_REACH / NORMAL_REACH
    normals = math.hypot(*(e.largest * normal for e in present if isinstance(e, Normal)))
    others = sum(e.largest for e in present if not isinstance(e, Normal))
    step = 2.05 * (normals + others) / POINTS
    product = np.exp(-0.5 * (BLUR * step * _rates(step)) ** 2).astype(np.complex128)
    for error in present:
        product *= error.transform(step)
    probability = np.fft.irfft(product, POINTS)
    # Both signs together: index k holds +k steps, index -k the same to the other side.
    half = POINTS // 2
    folded = probability[:half].copy()
    folded[1:] += probability[:half:-1]
    return float(np.interp(0.95, np.cumsum(folded), (np.arange(half) + 0.5) * step))


def _rates(step: float) -> Array:
    """Angular rates of the transform, radians per unit."""
    return np.asarray(2.0 * np.pi * np.fft.rfftfreq(POINTS, step))
