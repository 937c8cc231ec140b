"""How the daemon and its web server reach the broker, how other machines reach the page, and
who may do what without the broker."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from moontrim.remote.commands.forbidding import Forbid

STAGGER_S = 0.25  # RFC 8305, section 5: the delay between attempts at the addresses of a host


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """How the daemon reaches its broker: by a Unix socket if unix_path is set, else by TCP.

    ready: set while the broker accepts clients; None if that is not known. on_hung: called when it
    accepts connections but does not answer. has_run: tells whether it ran or waited for a processor
    since the last call."""

    host: str = ""
    port: int = 0
    unix_path: Path | None = None
    user: str | None = None
    password: str | None = None
    tls: ssl.SSLContext | None = None
    ready: asyncio.Event | None = None
    on_hung: Callable[[], object] = lambda: None
    has_run: Callable[[], bool] = lambda: False

    def __str__(self) -> str:
        return "the built-in broker" if self.unix_path else f"broker {self.host} port {self.port}"


@dataclass(frozen=True, slots=True)
class Gateway:
    """How the web server reaches the broker for its pages (by a Unix socket if unix_path is set,
    else by TCP), and what a page must know to use it.

    password_needed: the broker refuses clients without one. root, name: the first two levels of
    every topic. tls: use TLS, checked with this context."""

    host: str
    port: int
    unix_path: Path | None
    password_needed: bool
    root: str
    name: str
    tls: ssl.SSLContext | None = None


@dataclass(frozen=True, slots=True)
class ForbidAccess:
    """Who may inhibit transmit by a request, be shown how other phones reach the page, or see the
    report.

    account: of a request without a password; None: each needs one. passwords: of the accounts that
    may command. viewers: of those that may only read."""

    forbid: Forbid
    account: str | None
    passwords: Mapping[str, str] = field(repr=False)
    viewers: Mapping[str, str] = field(default_factory=dict, repr=False)


@dataclass(frozen=True, slots=True)
class SecureDoor:
    """How other machines reach the page. tls: for the server's side. port: of HTTPS. fingerprint,
    authority_der, authority_pem: the certificate for phones."""

    tls: ssl.SSLContext
    port: int
    fingerprint: str
    authority_der: bytes
    authority_pem: bytes
