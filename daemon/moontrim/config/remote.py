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
TOPIC_LEVEL = "[a-z0-9-]{1,32}"
TopicLevel = Annotated[str, Matching(TOPIC_LEVEL, "1 to 32 small letters, digits and -")]


class RemoteSettings(Table):
    """Access by phones and dashboards: MQTT broker and page."""

    enabled: bool = Field(True, description="false: no MQTT broker and no phone page.")
    root: TopicLevel = Field("moontrim", description="First level of every topic.")
    name: TopicLevel = Field(
        "station",
        description="Name of this daemon, the second level of every topic; tells several daemons "
        "apart.",
    )
    lan: bool = Field(
        False,
        description="Open page and broker to the network, with TLS and a password. Each phone "
        "needs the certificate of this daemon once; the plain http page offers it.",
    )
    lan_address: str = Field(
        "0.0.0.0",  # noqa: S104 (only with `lan`, and then behind a password)
        min_length=1,
        max_length=64,
        description="With lan = true: IPv4 address to listen on; default: all.",
    )
    broker: str | None = Field(
        None,
        min_length=1,
        max_length=253,
        description="Host name of another MQTT broker; default: the built-in one.",
    )
    port: int | None = Field(
        None,
        ge=1,
        le=65535,
        description=f"Port of the broker; default: {BUILT_IN_PORT} for the built-in one (or a free "
        f"port if in use), {PLAIN_PORT} for another one, {TLS_PORT} for another one with TLS.",
    )
    user: str | None = Field(
        None,
        min_length=1,
        max_length=64,
        description="User name on the other broker. Its password comes from the credential "
        "mqtt_password ($CREDENTIALS_DIRECTORY) or from $MOONTRIM_MQTT_PASSWORD.",
    )
    tls: bool = Field(False, description="Use TLS with the other broker.")
    tls_ca_file: FilePath | None = Field(
        None,
        strict=False,
        description="CA certificate (PEM) of the other broker; default: the system's CAs.",
    )
    http_port: int = Field(
        8144,
        ge=1,
        le=65535,
        description="Port of the page on this machine; with lan = true other machines get the "
        "certificate on this port, and nothing else.",
    )
    https_port: int = Field(
        HTTPS_PORT,
        ge=1,
        le=65535,
        description="With lan = true: port of the page for other machines.",
    )
    tls_port: int = Field(
        TLS_PORT,
        ge=1,
        le=65535,
        description="With lan = true: port of the built-in broker for other machines (with TLS).",
    )
    plain_port: int | None = Field(
        None,
        ge=1,
        le=65535,
        description="With lan = true: port of the built-in broker for relays and dashboards "
        "without TLS; only for the account viewer, which is read-only.",
    )
    discovery: bool = Field(
        False, description="Announce the daemon to home-automation hubs on the broker."
    )
    discovery_prefix: Annotated[
        str, Matching("[A-Za-z0-9_-]{1,32}", "1 to 32 letters, digits, _ and -")
    ] = Field(
        "homeassistant",
        description="First level of the discovery topics; most hubs use the default.",
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
