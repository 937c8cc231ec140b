"""Takes the staircase of a dial out of sound.

A receiver tuned to a dial of whole hertz hears a signal that stands still on the ideal dial move up
and down by the residual, dial as set minus dial as it ideally is:

    audio = signal - dial                 upper sideband; in a lower one all signs are reversed
    audio on the ideal dial = audio + residual

So each channel is made analytic and turned by the integral of the residual over time, which keeps
the phase of the signal from one step to the next. The integral is exact: between two of its knots
the residual is a straight line."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import signal

from moontrim.bench.tone.calibrate import Sideband
from moontrim.errors import InputError
from moontrim.path.vectors import Array

# Chosen: the image that is left of a signal, and down to which audio frequency. Below that there is
# nothing to hear in the passband of a receiver.
IMAGE_DB, LOWEST_HZ = 80.0, 50.0


@dataclass(frozen=True)
class DialCourse:
    """A dial over a stretch of time: as set, and as it ideally is. Instants are seconds from one
    moment.

    step_s, dial_hz: shape (n,), the dial from each instant on. ideal_s, ideal_hz: shape (m,), the
    ideal dial, a straight line from knot to knot; it jumps where two knots are at one instant."""

    step_s: Array
    dial_hz: Array
    ideal_s: Array
    ideal_hz: Array

    def residual(self) -> Residual:
        """Returns the residual while the ideal dial is known. Raises InputError where that is not
        at all, or the dial is not known at its beginning."""
        if self.ideal_s.size < 2:
            raise InputError("journal", None, problem="no ideal dial recorded for this time")
        if not self.step_s.size or self.step_s[0] > self.ideal_s[0]:
            raise InputError("journal", None, problem="no dial step recorded before this time")
        inside = (self.step_s > self.ideal_s[0]) & (self.step_s < self.ideal_s[-1])
        knots_s = np.union1d(self.ideal_s, self.step_s[inside])
        # Each instant twice: the residual up to it, and from it on.
        hz = np.stack([self._residual_hz(knots_s, "left"), self._residual_hz(knots_s, "right")], 1)
        return Residual(np.repeat(knots_s, 2), hz.ravel())

    def _residual_hz(self, at_s: Array, side: Literal["left", "right"]) -> Array:
        """Returns the residual just before instants (left), or from them on (right)."""
        dial = np.maximum(np.searchsorted(self.step_s, at_s, side) - 1, 0)
        k = np.clip(np.searchsorted(self.ideal_s, at_s, side) - 1, 0, self.ideal_s.size - 2)
        length_s = self.ideal_s[k + 1] - self.ideal_s[k]
        share = np.where(length_s > 0.0, (at_s - self.ideal_s[k]) / np.maximum(length_s, 1e-9), 0.0)
        ideal_hz = self.ideal_hz[k] + share * (self.ideal_hz[k + 1] - self.ideal_hz[k])
        return np.asarray(self.dial_hz[dial] - ideal_hz)


@dataclass(frozen=True)
class Residual:
    """The residual in Hz at knots, shape (n,) each, a straight line in between; of two knots at one
    instant the first ends what was before."""

    knots_s: Array
    hz: Array

    def sampled_hz(self, at_s: Array) -> Array:
        """Returns the residual at instants, shape as at_s; 0 outside the knots."""
        k = np.clip(np.searchsorted(self.knots_s, at_s, "right") - 1, 0, self.knots_s.size - 2)
        length_s = np.maximum(self.knots_s[k + 1] - self.knots_s[k], 1e-9)
        share = (at_s - self.knots_s[k]) / length_s
        hz = self.hz[k] + share * (self.hz[k + 1] - self.hz[k])
        inside = (at_s >= self.knots_s[0]) & (at_s <= self.knots_s[-1])
        return np.where(inside, hz, 0.0)

    def cycles(self, at_s: Array) -> Array:
        """Returns the integral of the residual up to instants, in cycles, shape as at_s. Outside
        the knots the residual counts as 0."""
        lengths_s = np.diff(self.knots_s)
        means_hz = 0.5 * (self.hz[1:] + self.hz[:-1])
        whole = np.concatenate(([0.0], np.cumsum(lengths_s * means_hz)))
        inside_s = np.clip(at_s, self.knots_s[0], self.knots_s[-1])
        k = np.clip(np.searchsorted(self.knots_s, inside_s, "right") - 1, 0, lengths_s.size - 1)
        since_s = inside_s - self.knots_s[k]
        slope = (np.diff(self.hz) / np.where(lengths_s > 0.0, lengths_s, np.inf))[k]
        return np.asarray(whole[k] + since_s * (self.hz[k] + 0.5 * slope * since_s))


def straightened(
    blocks: Iterable[Array], rate_hz: float, residual: Residual, sideband: Sideband = "usb"
) -> Iterator[Array]:
    """Yields the sound with the residual taken out, as many samples as came in.

    blocks: each of shape (n, channels), the first sample at 0 s of `residual`."""
    taps = _hilbert(rate_hz)
    half = taps.size // 2
    sense = 1.0 if sideband == "usb" else -1.0
    waiting: Array | None = None  # what the filter still needs: `half` samples on either side
    done = 0

    def turned(samples: Array) -> Array:
        nonlocal done
        quadrature = signal.oaconvolve(samples, taps[:, None], mode="valid", axes=0)
        plain = samples[half : samples.shape[0] - half]
        at_s = (done + np.arange(plain.shape[0])) / rate_hz
        phase = 2.0 * np.pi * sense * (residual.cycles(at_s) % 1.0)[:, None]
        done += plain.shape[0]
        return np.asarray(plain * np.cos(phase) - quadrature * np.sin(phase))

    for block in blocks:
        if waiting is None:
            waiting = np.zeros((half, block.shape[1]))
        waiting = np.concatenate((waiting, block))
        if waiting.shape[0] > 2 * half:
            yield turned(waiting)
            waiting = waiting[waiting.shape[0] - 2 * half :]
    if waiting is not None:
        yield turned(np.concatenate((waiting, np.zeros((half, waiting.shape[1])))))


def _hilbert(rate_hz: float) -> Array:
    """Returns the taps of a Hilbert transformer of odd length, good from LOWEST_HZ to as far below
    half the sample rate (Oppenheim and Schafer, Discrete-Time Signal Processing, 11.4: the ideal
    one times a Kaiser window)."""
    length, beta = signal.kaiserord(IMAGE_DB, 2.0 * LOWEST_HZ / (0.5 * rate_hz))
    half = length // 2 | 1  # odd: of an even one the outermost taps would be 0
    n = np.arange(-half, half + 1)
    ideal = np.where(n % 2 == 0, 0.0, 2.0 / (np.pi * np.where(n == 0, 1, n)))
    return np.asarray(ideal * signal.windows.kaiser(n.size, beta))
