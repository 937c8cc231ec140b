"""The `[gps]` table of the config: where a receiver is, and whether it decides where home is."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, field_validator, model_validator

from moontrim.config.mistakes import Expected
from moontrim.config.table import Table
from moontrim_drivers.serial.portchoice import NOTATION, check_port


class GpsSettings(Table):
    """The GPS receiver; default: none."""

    source: Literal["none", "gpsd", "nmea"] = Field(
        "none", description="none: no receiver. gpsd: through gpsd. nmea: on a serial port."
    )
    host: str = Field("127.0.0.1", min_length=1, max_length=253, description="Host of gpsd.")
    port: int = Field(2947, ge=1, le=65535, description="TCP port of gpsd.")
    device: str | None = Field(
        None,
        max_length=4096,
        description=f"nmea: serial port, {NOTATION}. gpsd: use only this receiver, by its name in "
        "gpsd.",
    )
    baud: int = Field(
        9600, ge=300, le=921_600, description="nmea: bits per second; 4800 by the standard."
    )
    use_for_home: bool = Field(
        False, description="true: the position of a steady 3D fix replaces [home]."
    )

    @field_validator("host")
    @classmethod
    def _plain(cls, value: str) -> str:
        if not value.isprintable() or any(c.isspace() for c in value):
            raise Expected("a name without spaces and control characters")
        return value

    @model_validator(mode="after")
    def _complete(self) -> GpsSettings:
        if self.source == "nmea":
            if self.device is None:
                raise ValueError('source = "nmea" needs a device')
            check_port(self.device)
        if self.source == "none" and self.use_for_home:
            raise ValueError("use_for_home = true needs a source")
        return self
