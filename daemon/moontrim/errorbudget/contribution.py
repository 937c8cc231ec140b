"""One cause's contribution to a dial's error, and how sizes are written in its advice."""

from __future__ import annotations

from typing import NamedTuple

from moontrim.errorbudget.distributions import Distribution
from moontrim.formats import grouped

# Chosen: sizes are shown to 0.001 Hz, so this is the least that is not rounded to 0.
NEGLIGIBLE_HZ = 0.0005


class Contribution(NamedTuple):
    """What one cause adds to a dial's error.

    name: of the cause.
    parts: independent distributions in Hz; None: not known.
    advice: a sentence with the numbers in it."""

    name: str
    parts: tuple[Distribution, ...] | None
    advice: str


def hertz(size_hz: float) -> str:
    """Returns a size in hertz as text, to about two figures."""
    size_hz = abs(size_hz)
    if size_hz >= 100.0:
        return f"{grouped(size_hz)} Hz"
    if size_hz >= 1.0:
        return f"{size_hz:.1f} Hz"
    return f"{size_hz:.2g} Hz" if size_hz >= NEGLIGIBLE_HZ else "below 0.001 Hz"


def duration(duration_s: float) -> str:
    """Returns a duration as text, in seconds, or in milliseconds below one."""
    return f"{duration_s:.3g} s" if duration_s >= 1.0 else f"{1e3 * duration_s:.3g} ms"
