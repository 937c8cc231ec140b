"""The options that every driver of a radio on a serial port has."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from moontrim_drivers.contract import DriverOptions
from moontrim_drivers.serial.portchoice import NOTATION, check_port
from moontrim_drivers.serial.ports import LineSettings


class SerialOptions(DriverOptions):
    """Serial port of the radio, settings of the line, and abilities of the radio."""

    port: Annotated[str, AfterValidator(check_port)] = Field(
        description=f"Serial port: {NOTATION}."
    )
    baud: int = Field(19200, ge=300, le=4_000_000, description="Bits per second.")
    stop_bits: Literal[1, 2] = Field(1, description="Stop bits after each byte.")
    rts: bool = Field(
        False, description="Assert the RTS line while open. It may key a transmitter."
    )
    dtr: bool = Field(
        False, description="Assert the DTR line while open. It may key a transmitter."
    )
    answer_s: float = Field(
        0.25, ge=0.02, le=5, description="Longest wait for a reply, besides its time on the wire."
    )
    split: bool = Field(True, description="Use separate dials for receive and transmit.")
    retunes_while_transmitting: bool = Field(
        False, description="The radio accepts a new transmit dial while keyed."
    )
    dial_resolution_hz: int = Field(1, ge=1, le=100_000, description="Smallest dial step.")
    sets_power: bool = Field(True, description="Set the power of the radio.")
    effect_fraction: float | None = Field(
        None,
        ge=0,
        le=1,
        description="Instant at which the dial moves, as a fraction of an update; default: from "
        "the time that the bytes take.",
    )

    def line(self) -> LineSettings:
        """Returns the settings of the port."""
        return LineSettings(self.baud, self.stop_bits, self.rts, self.dtr)
