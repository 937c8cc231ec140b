"""How the daemon and its web server reach the broker."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """How to reach the broker: by TCP, or by a Unix socket (unix_path, which then wins). ready: set
    while there is a broker to reach. on_hung: called when it takes connections and does nothing."""

    host: str = ""
    port: int = 0
    unix_path: Path | None = None
    user: str | None = None
    password: str | None = None
    tls: ssl.SSLContext | None = None
    ready: asyncio.Event | None = None
    on_hung: Callable[[], object] = lambda: None

    def __str__(self) -> str:
        return "our own broker" if self.unix_path else f"the broker {self.host} port {self.port}"


@dataclass(frozen=True, slots=True)
class Gateway:
    """One broker, by TCP (host, port) or by a Unix socket (unix_path, which then wins).

    password_needed: the broker refuses clients without one. root, station: the first two levels of
    every topic. tls: speak TLS with it, checked like this."""

    host: str
    port: int
    unix_path: Path | None
    password_needed: bool
    root: str
    station: str
    tls: ssl.SSLContext | None = None
