"""A simulated radio that may have a second receiver, which must be on another band.

Owns the rule that both receivers cannot be on one band, and their exchange. Without a second
receiver it is the radio itself.
"""

from __future__ import annotations

from bisect import bisect

from moontrim_drivers.contract import RigRefused
from moontrim_drivers.simulated.radio import SimulatedRadio

_BAND_EDGES_HZ = (100_000_000, 300_000_000, 1_000_000_000)


class Receivers:
    """other_hz: where the second receiver is; 0: there is none."""

    def __init__(self, radio: SimulatedRadio, other_hz: int = 0) -> None:
        self.radio = radio
        self.other_hz = other_hz

    def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> None:
        """Raises RigRefused."""
        for dial_hz in (rx_hz, tx_hz):
            if dial_hz is not None and self.other_hz and _band(dial_hz) == _band(self.other_hz):
                raise RigRefused("the other receiver is on that band")
        self.radio.set_dials(rx_hz, tx_hz, unused=True)

    def exchange(self) -> None:
        """Raises RigRefused."""
        if not self.other_hz:
            raise RigRefused("there is no other receiver")
        here_hz, there_hz = self.radio.rx_dial_hz, self.other_hz
        self.radio.set_dials(there_hz, there_hz, unused=True)
        self.other_hz = here_hz


def _band(dial_hz: int) -> int:
    return bisect(_BAND_EDGES_HZ, dial_hz)
