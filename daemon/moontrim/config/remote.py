"""The `[remote]` table of the config: broker, network, page. Passwords are not in the config; see
`remote.broker.passwords`."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, field_validator, model_validator

from moontrim.config.mistakes import Expected
from moontrim.config.table import FilePath, Matching, Table

BUILT_IN_PORT = 8145  # of the broker that moontrim starts; chosen: the next after the page's
HTTPS_PORT = 8146  # chosen: the next after that
PLAIN_PORT, TLS_PORT = 1883, 8883  # registered with IANA for MQTT and MQTT over TLS
TopicLevel = Annotated[str, Matching("[a-z0-9-]{1,32}", "1 to 32 small letters, digits and -")]


class RemoteSettings(Table):
    """How phones and dashboards reach the daemon."""

    enabled: bool = Field(True, description="false: no broker, no MQTT, no page.")
    root: TopicLevel = Field("moontrim", description="First level of every topic.")
    station: TopicLevel = Field("station", description="Second level: tells several daemons apart.")
    lan: bool = Field(
        False,
        description="Open page and broker to the network, by TLS and with a password. Each phone "
        "then needs this station's certificate once; the plain http page offers it.",
    )
    lan_address: str = Field(
        "0.0.0.0",  # noqa: S104 (only with `lan`, and then behind a password)
        min_length=1,
        max_length=64,
        description="IPv4 address to listen on when `lan` is on; default: all.",
    )
    broker: str | None = Field(
        None, min_length=1, max_length=253, description="Host of a broker that is there already."
    )
    port: int | None = Field(
        None,
        ge=1,
        le=65535,
        description=f"The broker's port. Own broker: {BUILT_IN_PORT}, or a free one where that is "
        f"taken. Other broker: {PLAIN_PORT}, with TLS {TLS_PORT}.",
    )
    user: str | None = Field(
        None,
        min_length=1,
        max_length=64,
        description="User name at the other broker. Its password comes from the credential "
        "mqtt_password ($CREDENTIALS_DIRECTORY) or from $MOONTRIM_MQTT_PASSWORD.",
    )
    tls: bool = Field(False, description="Speak TLS with the other broker.")
    tls_ca_file: FilePath | None = Field(
        None, strict=False, description="Own certificate authority (PEM) to check it by."
    )
    http_port: int = Field(
        8144,
        ge=1,
        le=65535,
        description="Port of the page on this machine; with `lan`, other machines find the "
        "certificate there, and nothing else.",
    )
    https_port: int = Field(
        HTTPS_PORT, ge=1, le=65535, description="Port of the page for other machines, with `lan`."
    )
    tls_port: int = Field(
        TLS_PORT,
        ge=1,
        le=65535,
        description="Port of the built-in broker for other machines (MQTT over TLS), with `lan`.",
    )
    plain_port: int | None = Field(
        None,
        ge=1,
        le=65535,
        description="Port of the built-in broker for relays and dashboards on the network that "
        "cannot speak TLS: account viewer only, which may read and not command.",
    )
    discovery: bool = Field(
        False, description="Announce the daemon to home-automation hubs on the broker."
    )
    discovery_prefix: Annotated[
        str, Matching("[A-Za-z0-9_-]{1,32}", "1 to 32 letters, digits, _ and -")
    ] = Field(
        "homeassistant",
        description="First level of the topics such hubs listen to; this is what most expect.",
    )

    @field_validator("lan_address")
    @classmethod
    def _an_address(cls, value: str) -> str:
        parts = value.split(".")
        if len(parts) != 4 or not all(part.isdecimal() and int(part) < 256 for part in parts):
            raise Expected("an IPv4 address of this machine, such as 10.42.0.1")
        return value

    @field_validator("broker", "user")
    @classmethod
    def _plain(cls, value: str | None) -> str | None:
        if value is not None and (not value.isprintable() or any(c.isspace() for c in value)):
            raise Expected("a name without spaces and control characters")
        return value

    @model_validator(mode="after")
    def _fits_the_broker(self) -> RemoteSettings:
        if self.broker is None:
            for key in ("user", "tls", "tls_ca_file"):
                if getattr(self, key):
                    raise ValueError(f"{key} is for another broker, but broker is missing")
        if self.plain_port is not None and (self.broker is not None or not self.lan):
            raise ValueError("plain_port is for the built-in broker with lan = true")
        if self.tls_ca_file is not None and not self.tls:
            raise ValueError("tls_ca_file needs tls = true")
        return self

    @property
    def page_address(self) -> str:
        """The address that the page listens on."""
        return self.lan_address if self.lan else "127.0.0.1"

    @property
    def broker_port(self) -> int:
        """The broker's port: of the config, or the usual one."""
        if self.port is not None:
            return self.port
        if self.broker is None:
            return BUILT_IN_PORT
        return TLS_PORT if self.tls else PLAIN_PORT
