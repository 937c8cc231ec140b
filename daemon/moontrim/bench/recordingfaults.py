"""Faults of a recording that show in its samples: clipping, and stretches of one repeated value.

Works through long arrays in blocks and never copies the whole."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.floating[Any]]

BLOCK = 1 << 20  # samples a block: 8 MB
# Chosen: no noise repeats a value for so long, and a buffer that a sound card loses is as long.
CONSTANT_S = 0.02
# Values above NEAR of the extreme are counted, and the extreme compared with the NEIGHBOURS next
# below it.
NEAR, NEIGHBOURS = 0.9, 8
# Chosen: a clipped converter delivers its end value far more often than the next ones, noise less
# often; the crest of a sine in whole steps delivers it up to 3 times as often.
PILED = 8.0
# Where no value is next below: an extreme above this share of full scale is the end of the scale.
FULL = 0.99


@dataclass(frozen=True)
class Clipping:
    """Samples stuck at an end value. share: of all samples, 0 to 1. longest: run of them, in
    samples. level: that value, as a share of full scale."""

    share: float
    longest: int
    level: float


def ac_rms(samples: Samples) -> float:
    """Returns the root mean square about the mean; exactly 0 if all samples are the same."""
    first = float(samples[0])
    total = squares = 0.0
    for _, block in _blocks(samples):
        moved = block.astype(np.float64) - first
        total += float(moved.sum())
        squares += float(np.dot(moved, moved))
    mean = total / samples.size
    return float(np.sqrt(max(squares / samples.size - mean**2, 0.0)))


def clipping(samples: Samples) -> Clipping | None:
    """Returns how far the recording is clipped, which shows as a largest or smallest value that is
    far too frequent; None if neither is."""
    ends = [
        end
        for sign in (1.0, -1.0)
        if (extreme := max(float((sign * block).max()) for _, block in _blocks(samples))) > 0.0
        and (end := _piled_up(samples, sign, extreme)) is not None
    ]
    if not ends:
        return None
    return Clipping(
        sum(end.share for end in ends),
        max(end.longest for end in ends),
        max(end.level for end in ends),
    )


def _piled_up(samples: Samples, sign: float, extreme: float) -> Clipping | None:
    """Returns the clipping at one end of the scale; sign: -1 for the lower end."""
    near: dict[float, int] = {}
    at = longest = 0
    tail = 0  # a run may go on in the next block
    for _, block in _blocks(samples):
        high = sign * block[sign * block > NEAR * extreme]
        values, counts = np.unique(high, return_counts=True)
        for value, count in zip(values[-NEIGHBOURS - 1 :], counts[-NEIGHBOURS - 1 :], strict=True):
            near[float(value)] = near.get(float(value), 0) + int(count)
        ends = sign * block == extreme
        at += int(ends.sum())
        edges = np.flatnonzero(np.diff(np.concatenate(([False], ends, [False])).astype(np.int8)))
        lengths = edges[1::2] - edges[::2]
        if lengths.size:
            if ends[0]:
                lengths[0] += tail
            longest = max(longest, int(lengths.max()))
        tail = int(lengths[-1]) if ends[-1] else 0
    next_ones = sorted(near)[-NEIGHBOURS - 1 : -1]
    if next_ones:
        piled = at > PILED * float(np.mean([near[value] for value in next_ones]))
    else:
        # Steps coarser than a tenth of the extreme: only the end of the scale itself is evidence.
        piled = extreme >= FULL
    return Clipping(at / samples.size, longest, extreme) if piled and at > 1 else None


def constant_stretches(
    samples: Samples, rate_hz: float, ends: bool = False
) -> tuple[tuple[int, int], ...]:
    """Returns the stretches (first sample, one past the last) of one repeated value, 20 ms or
    longer, with sound before and after.

    ends: also the stretches at the beginning and at the end of the recording."""
    least = max(round(CONSTANT_S * rate_hz), 2)
    stretches: list[tuple[int, int]] = []
    begin = 0  # of the run of equal samples that the last block ended in
    last = samples[0]
    for start, block in _blocks(samples):
        changed = np.flatnonzero(np.diff(block, prepend=last) != 0) + start
        begins = np.concatenate(([begin], changed))
        lengths = np.diff(begins)
        for k in np.flatnonzero(lengths >= least):
            stretches.append((int(begins[k]), int(begins[k + 1])))
        begin, last = int(begins[-1]), block[-1]
    if ends and samples.size - begin >= least:
        stretches.append((begin, samples.size))
    return tuple(stretch for stretch in stretches if stretch[0] > 0 or ends)


def _blocks(samples: Samples) -> Iterator[tuple[int, Samples]]:
    """Yields the samples in blocks, each with the index of its first sample."""
    for start in range(0, samples.size, BLOCK):
        yield start, samples[start : start + BLOCK]
