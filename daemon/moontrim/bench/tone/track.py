"""A tone over time: its frequency in each block of the recording, and the Allan deviation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from moontrim.bench.allan import AllanPoint, allan_deviation
from moontrim.bench.tone.baseband import Baseband, Real
from moontrim.bench.tone.fading import SpreadFit
from moontrim.bench.tone.fit import Fit, bound, follow
from moontrim.bench.tone.search import ToneCandidate

# Chosen: energy over noise density (13 dB) with which noise is hardly ever taken for the tone.
BLOCK_ENERGY = 20.0
MOST_BLOCKS = 120  # chosen: as many points as a picture shows
FEWEST_BLOCKS = 4  # chosen: fewer show no course
SHORTEST_BLOCK_S = 0.05  # chosen: what changes faster is not the frequency of an oscillator
SUMS = 16  # a block, so that a frequency off by some cells loses nothing
# The phase can be followed from block to block if it moves by less than this, in turns: at half a
# turn the sign of the step is lost.
FOLLOWED_TURNS = 0.3


@dataclass(frozen=True, slots=True)
class ToneTrack:
    """The course of a tone in n blocks of block_s.

    Arrays are of shape (n,). at_s: middle of the block, from the first sample. frequency_hz: from
    the band's centre. uncertainty_hz: 1 sigma. phase_turns: phase against a steady tone of the
    frequency at the middle; None if it cannot be followed."""

    at_s: Real
    frequency_hz: Real
    uncertainty_hz: Real
    phase_turns: Real | None
    block_s: float

    def allan(self, of_hz: float) -> tuple[AllanPoint, ...]:
        """Returns the Allan deviation as a fraction of of_hz."""
        if self.phase_turns is not None:
            turns = self.phase_turns
        else:
            off_hz = self.frequency_hz - float(np.mean(self.frequency_hz))
            turns = np.concatenate(([0.0], np.cumsum(off_hz) * self.block_s))
        return allan_deviation(turns / of_hz, self.block_s)

    def noise_deviation(self, tau_s: float, of_hz: float) -> float | None:
        """Returns the Allan deviation that the noise of the measurement alone makes: white phase
        noise, sqrt(3) x / tau (NIST SP 1065, table of noise types). None without phases."""
        if self.phase_turns is None:
            return None
        # From the bound of a block's frequency back to that of its phase: 1 / sqrt(2 E) rad.
        turns = float(np.mean(self.uncertainty_hz)) * self.block_s / np.sqrt(12.0)
        return float(np.sqrt(3.0) * turns / of_hz / tau_s)


def track_steady(band: Baseband, fitted: Fit) -> ToneTrack | None:
    """Returns the course of a steady tone, in blocks as short as its strength allows; None if it is
    too weak for FEWEST_BLOCKS."""
    blocks = _blocks(band, fitted.energy_ratio)
    if blocks < FEWEST_BLOCKS:
        return None
    place = ToneCandidate(fitted.frequency_hz, fitted.drift_hz_per_s, 1, 0.0)
    followed = follow(band, place, blocks * SUMS)
    blocks = followed.y.size // SUMS
    y = followed.y[: blocks * SUMS].reshape(blocks, SUMS)
    u_s = followed.u_s[: blocks * SUMS].reshape(blocks, SUMS).mean(axis=1)
    block_s = SUMS * followed.step_s
    power = np.abs(fft.fftshift(fft.fft(y, 16 * SUMS, axis=1), axes=1)) ** 2
    near = power[:, 4 * SUMS : 12 * SUMS]  # +-4 cells
    off_hz = _peak(near) / (16 * block_s)
    line_hz = fitted.frequency_hz + fitted.drift_hz_per_s * u_s
    each_hz = bound(fitted.energy_ratio / blocks, block_s)[0]
    turns: Real | None = np.unwrap(np.angle(y.sum(axis=1))) / (2.0 * np.pi)
    assert turns is not None
    if np.quantile(np.abs(np.diff(turns)), 0.99) > FOLLOWED_TURNS:
        turns = None
    else:
        turns = turns + 0.5 * fitted.drift_hz_per_s * u_s**2
    return ToneTrack(
        u_s + 0.5 * band.duration_s,
        line_hz + off_hz,
        np.full(blocks, each_hz),
        turns,
        block_s,
    )


def track_spread(band: Baseband, fitted: SpreadFit) -> ToneTrack | None:
    """Returns the course of a spread tone: where a bell of its width fits best in each block. None
    if it is too weak, or blocks long enough for the bell too few."""
    width_hz = fitted.width_hz
    energy = fitted.power_ratio * band.duration_s
    blocks = min(_blocks(band, energy), int(band.duration_s * width_hz / 3.0))
    if blocks < FEWEST_BLOCKS:
        return None
    place = ToneCandidate(fitted.frequency_hz, fitted.drift_hz_per_s, 1, 0.0)
    sums = max(SUMS, int(16.0 * width_hz * band.duration_s / blocks))
    followed = follow(band, place, blocks * sums)
    blocks = followed.y.size // sums
    y = followed.y[: blocks * sums].reshape(blocks, sums)
    u_s = followed.u_s[: blocks * sums].reshape(blocks, sums).mean(axis=1)
    block_s = sums * followed.step_s
    bins = 4 * sums
    power = np.abs(fft.fftshift(fft.fft(y, bins, axis=1), axes=1)) ** 2
    frequency_hz = fft.fftshift(fft.fftfreq(bins, followed.step_s))
    bell = np.exp(-0.5 * (frequency_hz / width_hz) ** 2)
    smooth = fft.ifft(fft.fft(power, axis=1) * fft.fft(fft.ifftshift(bell)), axis=1).real
    near = np.flatnonzero(np.abs(frequency_hz) <= 3.0 * width_hz)
    off_hz = frequency_hz[near[0]] + (_peak(smooth[:, near]) + near.size // 2) * (
        frequency_hz[1] - frequency_hz[0]
    )
    return ToneTrack(
        u_s + 0.5 * band.duration_s,
        fitted.frequency_hz + fitted.drift_hz_per_s * u_s + off_hz,
        np.full(blocks, fitted.frequency_uncertainty_hz * np.sqrt(blocks)),
        None,
        block_s,
    )


def _blocks(band: Baseband, energy: float) -> int:
    """Returns the number of blocks for a tone of this energy over noise density."""
    by_length = int(band.duration_s / SHORTEST_BLOCK_S)
    return min(MOST_BLOCKS, int(energy / BLOCK_ENERGY), by_length, band.z.size // (2 * SUMS))


def _peak(power: Real) -> Real:
    """Returns for each row the position of its greatest value, in columns from the middle one, by a
    parabola through it and its neighbours."""
    top = np.clip(np.argmax(power, axis=1), 1, power.shape[1] - 2)
    rows = np.arange(power.shape[0])
    before, middle, after = power[rows, top - 1], power[rows, top], power[rows, top + 1]
    bend = before - 2.0 * middle + after
    part = np.where(bend < 0.0, 0.5 * (before - after) / np.where(bend < 0.0, bend, 1.0), 0.0)
    return np.asarray(top + np.clip(part, -1.0, 1.0) - power.shape[1] // 2)
