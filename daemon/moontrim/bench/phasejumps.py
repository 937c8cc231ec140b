"""Does a radio keep its phase at the steps of its dial?

    time      |  a  |  b  |  a  |  b  |      each interval between two steps in halves; the phase of
    dial      ------------+                  the strongest tone is compared
                          +------------      within an interval   a to b
                                             across a step        b to the next a

With a steady tone both comparisons agree equally well. Where the oscillator of the radio begins
with another phase at each step, those across steps agree no more. Then straightening cannot bring
back what a long coherent measurement lost. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from moontrim.path.vectors import Array

# Chosen: halves shorter than this hold no phase of a weak tone; more intervals than this add
# nothing to the answer.
SHORTEST_HALF_S, MOST_INTERVALS = 0.2, 200
FEWEST_INTERVALS = 8  # chosen: of fewer the agreement is chance: for 8 random phases it is 0.35
FURTHEST_S = 3.0  # chosen: a phase is carried on no further, where intervals are left out
EDGE_S = 0.03  # chosen: left out on either side of a step, whose instant is not exact
LOW_HZ, HIGH_HZ = 200.0, 3000.0  # common practice: the audio of a receiver
# Chosen: agreement within intervals from which the tone is strong enough to tell, and how much less
# of it across steps means that the phase jumps. 0.8 is a scatter of 38 degrees.
AGREES, LESS = 0.8, 0.3


@dataclass(frozen=True)
class StepCoherence:
    """How well the phase of a tone agrees, from 0 (not at all) to 1, within the intervals between
    steps and across the steps. tone_hz: its frequency."""

    tone_hz: float
    within: float
    across: float

    @property
    def can_tell(self) -> bool:
        """Whether the tone is strong and steady enough."""
        return self.within >= AGREES

    @property
    def jumps(self) -> bool:
        """Whether the radio's phase jumps at the steps."""
        return self.can_tell and self.across < self.within - LESS


def step_coherence(
    read: Callable[[int, int], Array], rate_hz: float, step_s: Array, length_s: float
) -> StepCoherence | None:
    """Compares the phase of the strongest tone on both sides of steps; None with fewer than eight
    intervals that are long enough and near each other.

    read: returns samples, from the index of the first and their number. step_s: shape (n,),
    instants of steps from the first sample, in order."""
    edges_s = np.concatenate(([0.0], step_s[(step_s > 0.0) & (step_s < length_s)], [length_s]))
    starts_s, ends_s = edges_s[:-1] + EDGE_S, edges_s[1:] - EDGE_S
    whole = np.flatnonzero(ends_s - starts_s >= 2.0 * SHORTEST_HALF_S)[:MOST_INTERVALS]
    if whole.size < FEWEST_INTERVALS:
        return None
    halves = [
        (first_s, 0.5 * (first_s + last_s), last_s)
        for first_s, last_s in zip(starts_s[whole], ends_s[whole], strict=True)
    ]
    tone_hz = _strongest_hz(read, rate_hz, halves)
    sums, middles_s = [], []
    for first_s, middle_s, last_s in halves:
        for begin_s, end_s in ((first_s, middle_s), (middle_s, last_s)):
            first, count = round(begin_s * rate_hz), round((end_s - begin_s) * rate_hz)
            at = first + np.arange(count)
            turn = np.exp(-2j * np.pi * ((tone_hz / rate_hz * at) % 1.0))
            sums.append(complex(np.dot(read(first, count), turn)) / count)
            middles_s.append((first + 0.5 * count) / rate_hz)
    turned = np.array(sums[1:]) * np.conj(sums[:-1])
    apart_s = np.diff(middles_s)
    inside = np.arange(turned.size) % 2 == 0
    between = ~inside & (apart_s < FURTHEST_S)
    if np.count_nonzero(between) < FEWEST_INTERVALS - 1:
        return None
    offsets_hz = np.linspace(-1.0, 1.0, 401) / (2.0 * SHORTEST_HALF_S)
    agreement = [_agreement(turned[inside], apart_s[inside], hz) for hz in offsets_hz]
    best = int(np.argmax(agreement))
    across = _agreement(turned[between], apart_s[between], offsets_hz[best])
    return StepCoherence(tone_hz + float(offsets_hz[best]), agreement[best], across)


def _strongest_hz(
    read: Callable[[int, int], Array], rate_hz: float, halves: list[tuple[float, float, float]]
) -> float:
    """Returns the frequency of the strongest tone, to the width of a cell of the shortest
    interval."""
    count = round(2.0 * SHORTEST_HALF_S * rate_hz)
    window = np.hanning(count)
    power = sum(
        np.abs(np.fft.rfft(read(round(first_s * rate_hz), count) * window)) ** 2
        for first_s, _, _ in halves
    )
    frequency_hz = np.fft.rfftfreq(count, 1.0 / rate_hz)
    power = np.where((frequency_hz >= LOW_HZ) & (frequency_hz <= HIGH_HZ), power, 0.0)
    return float(frequency_hz[int(np.argmax(power))])


def _agreement(turned: Array, apart_s: Array, offset_hz: float) -> float:
    """Returns the agreement of phases, weighted by the strength of the tone, if its frequency is
    off by so much."""
    weight = np.abs(turned)
    if not weight.sum() > 0.0:
        return 0.0
    return float(abs(np.sum(turned * np.exp(-2j * np.pi * offset_hz * apart_s))) / weight.sum())
