"""The `[share]` table of the config: who may use the radio through moontrim, and from where."""

from __future__ import annotations

import ipaddress

from pydantic import Field, field_validator, model_validator

from moontrim.config.mistakes import Expected
from moontrim.config.table import Table

LOOPBACK = "127.0.0.1"
EVERYONE = "*"  # among `users`


class ShareSettings(Table):
    """The rig-control socket for other programs.

    On by default: it listens on the loopback interface only, for the user who runs moontrim, does
    nothing until a program connects, and keys only where `[keying]` is set up. Hamlib's network
    protocol has no adequate authentication: with lan = true anyone on the network can set the
    frequency, and with lan_transmit = true key the transmitter."""

    enabled: bool = Field(
        True, description="false: no other program can use the radio through moontrim."
    )
    port: int = Field(
        4534, ge=1, le=65535, description="TCP port, for the settings of the other program."
    )
    lan: bool = Field(
        False, description="true: open to the network, where anyone can then change the frequency."
    )
    lan_address: str = Field(
        "0.0.0.0",  # noqa: S104 (only with `lan`)
        min_length=1,
        max_length=45,
        description="With lan = true: IP address of this machine to listen on; default: all.",
    )
    lan_transmit: bool = Field(
        False,
        description="true: programs on other machines may key the transmitter; needs lan = true.",
    )
    users: tuple[str, ...] = Field(
        (),
        strict=False,  # TOML has lists only
        max_length=64,
        description="Users of this machine whose programs may connect, besides root and the user "
        'that runs moontrim; "*": every user.',
    )
    clients: int = Field(
        8, ge=1, le=64, description="Highest number of programs connected at the same time."
    )

    @field_validator("lan_address")
    @classmethod
    def _an_address(cls, value: str) -> str:
        try:
            ipaddress.ip_address(value)
        except ValueError:
            raise Expected("an IP address of this machine, such as 10.42.0.1") from None
        return value

    @model_validator(mode="after")
    def _transmit_only_where_open(self) -> ShareSettings:
        if self.lan_transmit and not self.lan:
            raise ValueError("lan_transmit = true needs lan = true")
        return self

    @property
    def addresses(self) -> tuple[str, ...]:
        """The addresses to listen on. The loopback is always among them."""
        if not self.lan or self.lan_address == LOOPBACK:
            return (LOOPBACK,)
        everywhere = self.lan_address == "0.0.0.0"  # noqa: S104
        return (self.lan_address,) if everywhere else (self.lan_address, LOOPBACK)
