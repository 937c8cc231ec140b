"""The sum of independent errors: how far from zero it stays 95 % of the time.

The probability density of a sum is the convolution of the densities of its terms, and the Fourier
transform of a convolution is the product of the transforms. So each distribution gives its
transform on a common grid of POINTS steps around zero, the product is turned back into the density
of the sum, both signs are folded onto one side, and the bound is where the cumulative sum reaches
0.95. This holds for a sum of normal errors as well as for one uniform error that outweighs the rest
(1.96 sigma would be 19 % too much there). The grid is as wide as the sum can get, since what lies
beyond its ends would wrap around; sharp edges are blurred by a step or so, since the transform of
an edge, cut off at the grid's highest rate, would ring.

The unit is the caller's."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from moontrim.path.vectors import Array

# Common practice: the largest of a normal error is taken at 3 sigma (99.7 %).
NORMAL_REACH = 3.0
# Chosen: how many sigmas of a normal error the grid holds; 1e-15 of it lies beyond.
GRID_REACH = 8.0
# Chosen: a power of two that gives the bound to 0.1 % of itself.
POINTS = 8192
# Less than this is no error in any unit that matters, and a grid for it would overflow.
NOTHING = 1e-12
# Chosen: sigma of the blur in grid steps; at the grid's highest rate it leaves 1.5e-5 of an edge.
BLUR = 1.5
# Chosen: width of the grid over twice the largest sum: a little room for the blur.
GRID_WIDTH = 2.05


class Distribution(Protocol):
    """How one error is distributed."""

    @property
    def rms(self) -> float:
        """Returns the root mean square about zero: sigma, where the mean is zero."""

    @property
    def largest(self) -> float:
        """Returns the size of the largest that occurs (normal: 3 sigma)."""

    @property
    def shape(self) -> str:
        """Returns the name of the shape."""

    def transform(self, step: float) -> NDArray[np.complex128]:
        """Returns the Fourier transform of the probabilities on a grid of POINTS steps of `step`
        around zero, in the order of `rfft`."""


@dataclass(frozen=True)
class Normal:
    """A normal error of mean 0."""

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
    """An error of which every value from low to high is equally likely; low = high: fixed."""

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
    """An error of which each of the values is equally likely.

    largest: size of the largest value of what they were sampled from."""

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
    """Returns the root sum square of the errors' root mean squares."""
    return math.hypot(*(error.rms for error in errors))


def error_95(errors: Sequence[Distribution]) -> float:
    """Returns the size that the sum of independent errors does not exceed with a probability of
    95 %, to 0.1 % of itself; 0 without errors."""
    present = [error for error in errors if error.largest > NOTHING]
    if not present:
        return 0.0
    widening = GRID_REACH / NORMAL_REACH
    normals = math.hypot(*(e.largest * widening for e in present if isinstance(e, Normal)))
    others = sum(e.largest for e in present if not isinstance(e, Normal))
    step = GRID_WIDTH * (normals + others) / POINTS
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
    """Returns the angular rates of the transform, radians per unit."""
    return np.asarray(2.0 * np.pi * np.fft.rfftfreq(POINTS, step))
