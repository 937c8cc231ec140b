"""The options of the driver for a rig-control daemon."""

from __future__ import annotations

import ipaddress
from typing import Literal

from pydantic import Field, model_validator

from moontrim_drivers.contract import DriverOptions

_Vfo = Literal["VFOA", "VFOB", "Main", "Sub"]
FIRST_VFO_NAMES = ("VFOA", "Main")
_VFO_NAMES = (*FIRST_VFO_NAMES, "VFOB", "Sub")
OFFSETS = ("j", "z", "r")  # the letters of RIT, XIT, repeater shift
OFFSETS_OFF: dict[str, tuple[str, str]] = {"j": ("J", "0"), "z": ("Z", "0"), "r": ("R", "None")}


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


class SocketOptions(DriverOptions):
    """Address of the rig-control server, and abilities of its radio."""

    host: str = Field(
        "127.0.0.1", min_length=1, max_length=253, description="Host of the rig-control server."
    )
    port: int = Field(4532, ge=1, le=65535, description="TCP port of the rig-control server.")
    split: bool = Field(True, description="Use separate dials for receive and transmit.")
    rx_vfo: _Vfo = Field("VFOA", description="VFO that receives.")
    tx_vfo: _Vfo = Field("VFOB", description="VFO that transmits in split.")
    retunes_while_transmitting: bool = Field(
        False, description="The radio accepts a new transmit dial while keyed."
    )
    dial_resolution_hz: int = Field(1, ge=1, le=100_000, description="Smallest dial step.")
    sets_power: bool = Field(
        False, description="Set the radio's power. Some radios then go to full power for a moment."
    )
    effect_fraction: float = Field(
        0.2, ge=0, le=1, description="Instant at which the dial moves, as a fraction of an update."
    )

    @property
    def shared_address(self) -> str:
        host = self.host.lower().rstrip(".")
        return f"{'localhost' if _is_loopback(host) else host} port {self.port}"

    @model_validator(mode="after")
    def _two_vfos(self) -> SocketOptions:
        if self.split and (self.rx_vfo in FIRST_VFO_NAMES) == (self.tx_vfo in FIRST_VFO_NAMES):
            raise ValueError(
                f"rx_vfo {self.rx_vfo} and tx_vfo {self.tx_vfo} are the same VFO; "
                "in split they must differ"
            )
        return self

    def contradicts(self, split: bool, tx_vfo: str) -> bool:
        """Whether the radio's split operation, as it reports it, is not the one of these
        options."""
        on_rx = (tx_vfo in FIRST_VFO_NAMES) == (self.rx_vfo in FIRST_VFO_NAMES)
        return split != self.split or (split and on_rx and tx_vfo in _VFO_NAMES)
