"""How the web server reaches the broker, and what a page must know to use it. A leaf."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from pathlib import Path


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
