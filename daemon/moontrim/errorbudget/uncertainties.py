"""What is not known exactly about a station and its partner: the input of the error budget.

In every field None means not stated, which the budget reports; 0 means exact or absent."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Any

from moontrim.errors import InputError


def _check(uncertainties: Any) -> None:
    """Raises InputError for a number that is negative or not finite."""
    for field in fields(uncertainties):
        value = getattr(uncertainties, field.name)
        if isinstance(value, int | float) and not (math.isfinite(value) and value >= 0.0):
            raise InputError(field.name, value, "a finite number from 0 up")


@dataclass(frozen=True)
class PlaceUncertainty:
    """One-sigma uncertainty of a place in metres: horizontally in any one direction, and in height.
    A place read from a locator has the size of its square besides (see `Site`)."""

    position_uncertainty_m: float | None = None
    height_uncertainty_m: float | None = None

    def __post_init__(self) -> None:
        _check(self)


@dataclass(frozen=True)
class Uncertainties:
    """The uncertainties of a path, of its stations and of home's radio.

    clock_s: the largest difference of the clock from UTC, either way.
    reference_ppb, transverter_hz: one sigma of the measured errors of the frequency reference and
    of the transverter's oscillator (0: no transverter, or locked to the reference).
    two_oscillators: transmitting goes through another transverter's oscillator, as uncertain as
    that of receiving.
    dial_resolution_hz: step of the dial.
    step_interval_s: shortest time between two steps of a radio that cannot take them when they are
    due; 0: it can.
    over_s: how long the transmit dial stands still while keyed; 0: it does not.
    over_centred: whether it then stands where it ought to be in the middle of the over, not at its
    start."""

    home: PlaceUncertainty = PlaceUncertainty()
    partner: PlaceUncertainty = PlaceUncertainty()
    clock_s: float | None = None
    reference_ppb: float | None = None
    transverter_hz: float | None = None
    two_oscillators: bool = False
    dial_resolution_hz: float = 0.0
    step_interval_s: float = 0.0
    over_s: float = 0.0
    over_centred: bool = False

    def __post_init__(self) -> None:
        _check(self)
