"""What a source of time says of the machine's clock. A leaf."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ClockReading:
    """One look at one source.

    bound_s: UTC may be wrong by so much either way; infinite unless synchronised.
    offset_s: the clock minus true time as far as the source knows; None where it does not say.
    detail: a few words for a person.
    compared: another number each time the source has compared the clock with the outside. What the
        number is means nothing.
    """

    source: str
    synchronised: bool
    bound_s: float
    offset_s: float | None
    detail: str
    compared: float = 0.0


Reader = Callable[[], Awaitable[ClockReading | None]]
"""Looks once, within half a second; None: there is no such source here."""


def unsynchronised(source: str, detail: str) -> ClockReading:
    """A source that is there and does not vouch for the clock."""
    return ClockReading(source, False, math.inf, None, detail)
