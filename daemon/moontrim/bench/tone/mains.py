"""Is a line a tone, or a harmonic of the mains?"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from moontrim.bench.hum import HumLine
from moontrim.bench.tone.baseband import Density

NOMINAL_HZ = (50.0, 60.0)
# Common practice: grids keep within 0.2 % on nearly all days.
WANDER = 0.002
# What the mains wander within a recording, as a fraction.
UNSTEADY = 4e-4
OTHERS = 2  # harmonics besides the line itself, for it to be one of a family
STANDS_OUT_DB = 15.0
HIGHEST_HARMONIC = 100
ONE_BY_CHANCE = 3e-5  # that noise looks like a harmonic; there are about a hundred


@dataclass(frozen=True, slots=True)
class Mains:
    """The harmonics that are in a recording."""

    fundamental_hz: float
    lines: tuple[HumLine, ...]

    def harmonic(self, frequency_hz: float, cell_hz: float) -> int:
        """Which harmonic of this very fundamental it may be; 0 if none."""
        order = round(frequency_hz / self.fundamental_hz)
        off_hz = abs(frequency_hz - order * self.fundamental_hz)
        return order if order >= 1 and off_hz <= self.width_hz(order, cell_hz) else 0

    def width_hz(self, order: int, cell_hz: float) -> float:
        """Half width of what belongs to a harmonic."""
        return 0.2 + UNSTEADY * order * self.fundamental_hz + 2.0 * cell_hz

    def others(self, frequency_hz: float, cell_hz: float) -> tuple[HumLine, ...]:
        """The lines but the one at this frequency."""
        near_hz = self.width_hz(max(1, round(frequency_hz / self.fundamental_hz)), cell_hz)
        return tuple(h for h in self.lines if abs(h.frequency_hz - frequency_hz) > near_hz)


def mains_of(lines: Sequence[HumLine]) -> Mains | None:
    """The family that lines belong to, with the fundamental that fits them best."""
    if not lines:
        return None
    nominal_hz = min(
        NOMINAL_HZ,
        key=lambda hz: sum(abs(h.frequency_hz / hz - round(h.frequency_hz / hz)) for h in lines),
    )
    orders = [max(1, round(h.frequency_hz / nominal_hz)) for h in lines]
    products = sum(n * h.frequency_hz for n, h in zip(orders, lines, strict=True))
    return Mains(products / sum(n * n for n in orders), tuple(lines))


def harmonics_with(levels: Density, frequency_hz: float, cell_hz: float) -> Mains | None:
    """The family that a line is of, if it sits where a harmonic could be: what of the others stands
    out at its very fundamental. Weaker lines count than are a hum of their own."""
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
    """As `20 x 50 Hz` if the frequency is where a harmonic could be; else empty."""
    return next((f"{n} × {hz:g} Hz" for hz, n in _orders(frequency_hz, cell_hz)), "")


def _orders(frequency_hz: float, cell_hz: float) -> Iterator[tuple[float, int]]:
    """Nominal mains frequency and harmonic, for those a frequency is near."""
    for nominal_hz in NOMINAL_HZ:
        order = round(frequency_hz / nominal_hz)
        off_hz = abs(frequency_hz - order * nominal_hz)
        if 1 <= order <= HIGHEST_HARMONIC and off_hz <= WANDER * frequency_hz + cell_hz:
            yield nominal_hz, order
