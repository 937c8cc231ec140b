"""What a band wants of the radio besides its dials, as plain values. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.formats import grouped
from moontrim.tuning.steps import DialName
from moontrim_drivers.contract import RigState


@dataclass(frozen=True, slots=True)
class BandEntry:
    """What one band wants, and where it may be transmitted on.

    tx_low_hz, tx_high_hz: where the dial that transmits may be. drive_ceiling: largest RF power as
    a fraction of full; None: not watched. mode: None leaves it as it is. passband_hz: 0 for the
    mode's normal one. commands: free-form, in the driver's notation, sent once on entering.
    clear_offsets: RIT, XIT and repeater shift are switched off where they are on."""

    name: str
    tx_low_hz: float
    tx_high_hz: float
    drive_ceiling: float | None = None
    mode: str | None = None
    passband_hz: int = 0
    commands: tuple[str, ...] = ()
    clear_offsets: bool = False

    def out_of_range(self, rig: RigState) -> str:
        """Returns why the radio must not transmit where its dial is; empty if it may."""
        dial_hz = rig.rx_dial_hz if rig.tx_dial_hz is None else rig.tx_dial_hz
        if self._allows(dial_hz):
            return ""
        return (
            f"{self.name}: the dial that transmits is at {grouped(dial_hz)} Hz, outside "
            f"{grouped(self.tx_low_hz)} to {grouped(self.tx_high_hz)} Hz"
        )

    def settable(self, dials_hz: dict[DialName, int]) -> dict[DialName, int]:
        """Returns the dials (Hz) without the one that transmits (rx where there is no other) if
        that is out of range: turned by hand, or left there by the band before this one."""
        transmits: DialName = "tx" if "tx" in dials_hz else "rx"
        return {w: hz for w, hz in dials_hz.items() if w != transmits or self._allows(hz)}

    def _allows(self, dial_hz: int) -> bool:
        return self.tx_low_hz <= dial_hz <= self.tx_high_hz
