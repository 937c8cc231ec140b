"""Conversion between on-air frequency and dial of one band, and the band's limits. Pure.

Indicated on-air frequency = offset + dial, or offset - dial for a transverter of inverse sense. The
true one differs by what was measured: true = indicated * (1 + reference_error_ppb * 1e-9) +
dial_error_hz. Offset and dial are taken to come from the same reference; a station with two
references states the sum in dial_error_hz."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from moontrim.path.vectors import Number


@dataclass(frozen=True, slots=True)
class Band:
    """One band: conversion and limits.

    tx_low_hz, tx_high_hz: true on-air frequencies between which transmitting is allowed.
    transverter_sense: minus where a higher dial is a lower on-air frequency.
    dial_resolution_hz: step of the dial.
    dial_error_hz, reference_error_ppb: measured errors, see above.
    dial_per_on_air: d(dial)/d(on-air), +1 or -1 but for the reference error."""

    name: str
    tx_low_hz: int
    tx_high_hz: int
    transverter_offset_hz: int = 0
    transverter_sense: Literal["plus", "minus"] = "plus"
    dial_resolution_hz: int = 1
    dial_error_hz: float = 0.0
    reference_error_ppb: float = 0.0
    # Used several times a second, so worked out once.
    dial_per_on_air: float = field(init=False, repr=False)
    _sign: float = field(init=False, repr=False)
    _true_per_indicated: float = field(init=False, repr=False)

    def __post_init__(self) -> None:
        sign = 1.0 if self.transverter_sense == "plus" else -1.0
        true_per_indicated = 1.0 + self.reference_error_ppb * 1e-9
        object.__setattr__(self, "_sign", sign)
        object.__setattr__(self, "_true_per_indicated", true_per_indicated)
        object.__setattr__(self, "dial_per_on_air", sign / true_per_indicated)

    def dial_hz(self, on_air_hz: Number) -> Number:
        """Returns the dial, not yet rounded, that puts the radio on a true on-air frequency."""
        indicated_hz = (on_air_hz - self.dial_error_hz) / self._true_per_indicated
        return self._sign * (indicated_hz - self.transverter_offset_hz)

    def on_air_hz(self, dial_hz: Number) -> Number:
        """Returns the true on-air frequency of a dial."""
        indicated_hz = self.transverter_offset_hz + self._sign * dial_hz
        return indicated_hz * self._true_per_indicated + self.dial_error_hz

    def allows(self, on_air_hz: Number) -> Any:
        """Returns whether transmitting is allowed on a true on-air frequency; False for NaN."""
        return (self.tx_low_hz <= on_air_hz) & (on_air_hz <= self.tx_high_hz)
