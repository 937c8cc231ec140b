"""Is a line a tone, or a harmonic of the mains?

Its frequency alone does not tell: a tone may sit where a harmonic would be. Its family does. All
harmonics are multiples of one fundamental, which wanders by 0.1 Hz and more about 50 or 60 Hz, so
that the 20th harmonic is anywhere within a few Hz, but the others then say exactly where:

    fundamental 49.97 Hz:  ... 899.46   949.43   999.40   1049.37 ...   one of this row: hum
                                                    1000.02             beside it: a tone

`mains_of` estimates the fundamental from the lines that `hum` found, by least squares over their
orders. If there are too few of them, `harmonics_with` supposes that the line is a harmonic of the
mains, takes the fundamental from it, and looks for weaker members of that family. Only a line with
OTHERS beside it is counted as hum; one alone that sits near a harmonic is only remarked upon, and
so is one that is far stronger than the rest of the family."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from moontrim.bench.hum import MAINS_HZ, HumLine
from moontrim.bench.tone.baseband import Density

# Common practice: grids keep within 0.2 % on nearly all days.
WANDER = 0.002
# Chosen: what the mains wander within a recording, as a fraction.
UNSTEADY = 4e-4
OTHERS = 2  # chosen: harmonics besides the line itself, for it to be one of a family
STANDS_OUT_DB = 15.0  # chosen: neighbouring harmonics of hum rarely differ by more
HIGHEST_HARMONIC = 100  # 5 or 6 kHz: beyond the audio of a receiver
ONE_BY_CHANCE = 3e-5  # chosen: chance that noise looks like a harmonic, for about a hundred tried


@dataclass(frozen=True, slots=True)
class Mains:
    """The harmonics of the mains in a recording."""

    fundamental_hz: float
    lines: tuple[HumLine, ...]

    def harmonic(self, frequency_hz: float, cell_hz: float) -> int:
        """Returns the order of the harmonic that a frequency may be; 0 if it is none.

        cell_hz: resolution of the spectrum that the frequency comes from."""
        order = round(frequency_hz / self.fundamental_hz)
        off_hz = abs(frequency_hz - order * self.fundamental_hz)
        return order if order >= 1 and off_hz <= self.width_hz(order, cell_hz) else 0

    def width_hz(self, order: int, cell_hz: float) -> float:
        """Returns half the width of the stretch of spectrum that belongs to a harmonic."""
        return 0.2 + UNSTEADY * order * self.fundamental_hz + 2.0 * cell_hz

    def others(self, frequency_hz: float, cell_hz: float) -> tuple[HumLine, ...]:
        """Returns all lines but the one at this frequency."""
        near_hz = self.width_hz(max(1, round(frequency_hz / self.fundamental_hz)), cell_hz)
        return tuple(h for h in self.lines if abs(h.frequency_hz - frequency_hz) > near_hz)


def mains_of(lines: Sequence[HumLine]) -> Mains | None:
    """Returns the family that lines belong to, its fundamental by least squares; None without
    lines."""
    if not lines:
        return None
    nominal_hz = min(
        MAINS_HZ,
        key=lambda hz: sum(abs(h.frequency_hz / hz - round(h.frequency_hz / hz)) for h in lines),
    )
    orders = [max(1, round(h.frequency_hz / nominal_hz)) for h in lines]
    products = sum(n * h.frequency_hz for n, h in zip(orders, lines, strict=True))
    return Mains(products / sum(n * n for n in orders), tuple(lines))


def harmonics_with(levels: Density, frequency_hz: float, cell_hz: float) -> Mains | None:
    """Returns the family of a line that sits where a harmonic could be, if OTHERS of that family
    stand out of the noise; else None. Weaker lines count than those which are hum by themselves."""
    for nominal_hz, order in _orders(frequency_hz, cell_hz):
        fundamental_hz = frequency_hz / order
        limit = float(special.gammaincinv(levels.looks, 1.0 - ONE_BY_CHANCE)) / levels.looks
        lines = []
        for other in range(1, int(levels.frequency_hz[-1] / nominal_hz) + 1):
            at_hz = other * fundamental_hz
            near = np.abs(levels.frequency_hz - at_hz) <= levels.step_hz
            noise = levels.noise_at(at_hz, 0.4 * nominal_hz, 3.0 * levels.step_hz)
            if not near.any() or noise <= 0.0 or other == order:
                continue
            over = float(levels.power[near].max()) / noise
            if over > limit:
                lines.append(HumLine(at_hz, 10.0 * math.log10(over * 1.5 * levels.step_hz)))
        if len(lines) >= OTHERS:
            return Mains(fundamental_hz, tuple(lines))
    return None


def near_nominal(frequency_hz: float, cell_hz: float) -> str:
    """Returns text such as `20 × 50 Hz` if the frequency is where a harmonic could be, else an
    empty one."""
    return next((f"{n} × {hz:g} Hz" for hz, n in _orders(frequency_hz, cell_hz)), "")


def _orders(frequency_hz: float, cell_hz: float) -> Iterator[tuple[float, int]]:
    """Yields nominal mains frequency and order for each harmonic that a frequency is near."""
    for nominal_hz in MAINS_HZ:
        order = round(frequency_hz / nominal_hz)
        off_hz = abs(frequency_hz - order * nominal_hz)
        if 1 <= order <= HIGHEST_HARMONIC and off_hz <= WANDER * frequency_hz + cell_hz:
            yield nominal_hz, order
