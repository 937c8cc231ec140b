"""A reading of a source of time: what it reports about the machine's clock."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ClockReading:
    """One reading of one source.

    bound_s: UTC may be wrong by so much either way; infinite unless synchronised.
    offset_s: the clock minus true time by the source's estimate; None where it reports none.
    detail: a few words for a person.
    compared: a number that changes each time the source has compared the clock with an outside
        source; its value means nothing.
    """

    source: str
    synchronised: bool
    bound_s: float
    offset_s: float | None
    detail: str
    compared: float = 0.0


Reader = Callable[[], Awaitable[ClockReading | None]]
"""Reads a source once, within half a second; returns None where there is no such source."""


def unsynchronised(source: str, detail: str) -> ClockReading:
    """Returns the reading of a source that exists and does not keep the clock right."""
    return ClockReading(source, False, math.inf, None, detail)
