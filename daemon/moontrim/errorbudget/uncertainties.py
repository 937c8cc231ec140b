"""What is not known exactly about a station and its partner: the input of the error budget.

Everywhere None means that nobody has said, which the budget says in turn; 0 means exact, or not
there."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Any

from moontrim.errors import InputError


def _check(uncertainties: Any) -> None:
    """Raise InputError for a number that is negative or not finite."""
    for field in fields(uncertainties):
        value = getattr(uncertainties, field.name)
        if isinstance(value, int | float) and not (math.isfinite(value) and value >= 0.0):
            raise InputError(field.name, value, "a finite number from 0 up")


@dataclass(frozen=True)
class PlaceUncertainty:
    """Of one place, one-sigma, metres: horizontally in any one direction, and in height. A place
    read from a locator has the size of its square besides (see `Site`)."""

    accuracy_m: float | None = None
    height_accuracy_m: float | None = None

    def __post_init__(self) -> None:
        _check(self)


@dataclass(frozen=True)
class Uncertainties:
    """clock_s: the clock is at most so far from UTC, either way. reference_ppb and transverter_hz:
    one sigma of what was measured (transverter_hz 0: there is none, or it hangs on the reference).
    dial_resolution_hz: step of the dial. step_interval_s: shortest time between two steps of a
    radio that cannot take them when they are due; 0: it can. over_s: the transmit dial stands still
    while keyed for so long, 0: it does not; over_centred: it stands where it ought to be in the
    middle of the over, not at its start."""

    home: PlaceUncertainty = PlaceUncertainty()
    partner: PlaceUncertainty = PlaceUncertainty()
    clock_s: float | None = None
    reference_ppb: float | None = None
    transverter_hz: float | None = None
    dial_resolution_hz: float = 0.0
    step_interval_s: float = 0.0
    over_s: float = 0.0
    over_centred: bool = False

    def __post_init__(self) -> None:
        _check(self)
