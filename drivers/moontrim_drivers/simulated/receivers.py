"""A simulated radio that may have a second receiver, which must be on another band.

Both receivers cannot be on one band, and they can be exchanged. Without a second receiver all goes
to the radio itself.
"""

from __future__ import annotations

from bisect import bisect

from moontrim_drivers.contract import RigRefused
from moontrim_drivers.simulated.radio import SimulatedRadio

_BAND_EDGES_HZ = (100_000_000, 300_000_000, 1_000_000_000)  # between 50, 144, 432 and 1296 MHz


class Receivers:
    """The receivers of a simulated radio. other_hz: dial of the second one; 0: there is none."""

    def __init__(self, radio: SimulatedRadio, other_hz: int = 0) -> None:
        self.radio = radio
        self.other_hz = other_hz

    def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> None:
        """Sets the radio's dials that are not None. Raises RigRefused."""
        for dial_hz in (rx_hz, tx_hz):
            if dial_hz is not None and self.other_hz and _band(dial_hz) == _band(self.other_hz):
                raise RigRefused("the other receiver is on that band")
        self.radio.set_dials(rx_hz, tx_hz, unused=True)

    def exchange(self) -> None:
        """Exchanges the frequencies of the two receivers. Raises RigRefused."""
        if not self.other_hz:
            raise RigRefused("there is no other receiver")
        main_hz = self.radio.rx_dial_hz
        self.radio.set_dials(self.other_hz, self.other_hz, unused=True)
        self.other_hz = main_hz


def _band(dial_hz: int) -> int:
    return bisect(_BAND_EDGES_HZ, dial_hz)
