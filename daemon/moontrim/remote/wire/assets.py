"""The files of the phone page, read once from the package and held ready to send.

Knows nothing of HTTP servers. The page's MQTT library is put into `page/vendor` when the package is
built (see `hatch_build.py`); where it is missing, another page says so."""

from __future__ import annotations

import gzip
import hashlib
import html
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable

from moontrim.remote.wire.addresses import Gateway

LIBRARY = "vendor/mqtt.min.js"
FRONT, FRONT_WITHOUT_LIBRARY = "index.html", "missing.html"
KINDS = {
    ".html": "text/html",
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
    ".md": "text/plain",
}
SMALLEST_PACKED = 1024  # bytes; chosen: below, compression saves no packet


@dataclass(frozen=True, slots=True)
class Asset:
    """One file. kind: its media type. packed: its gzip form, None for a small file. etag: a weak
    one, valid for both forms, with its quotes."""

    kind: str
    body: bytes
    packed: bytes | None
    etag: str


@dataclass(frozen=True, slots=True)
class Assets:
    """All files. front: for `/`. named: by path below `/static/`. complete: the library is among
    them."""

    front: Asset
    named: dict[str, Asset]
    complete: bool


def load_assets(gateway: Gateway, page: Traversable | None = None) -> Assets:
    """Reads and compresses everything. That takes some ten milliseconds, so it must not run on the
    daemon's loop.

    page: a folder to read instead of the package's."""
    page = files("moontrim.remote") / "page" if page is None else page
    bodies = dict(_walk(page, ""))
    complete = bool(bodies.get(LIBRARY))
    front = bodies[FRONT if complete else FRONT_WITHOUT_LIBRARY].decode()
    for mark, value in (
        ("{{root}}", gateway.root),
        ("{{name}}", gateway.name),
        ("{{password}}", "needed" if gateway.password_needed else "none"),
    ):
        front = front.replace(mark, html.escape(value))
    named = {
        name: _asset(name, body) for name, body in bodies.items() if not name.endswith(".html")
    }
    return Assets(_asset(FRONT, front.encode()), named, complete)


def _walk(folder: Traversable, prefix: str) -> list[tuple[str, bytes]]:
    """Returns path and content of all files of a known kind below a folder."""
    bodies: list[tuple[str, bytes]] = []
    for entry in folder.iterdir():
        name = prefix + entry.name
        if entry.is_dir():
            bodies += _walk(entry, name + "/")
        elif name[name.rfind(".") :] in KINDS:
            bodies.append((name, entry.read_bytes()))
    return bodies


def _asset(name: str, body: bytes) -> Asset:
    packed = gzip.compress(body, mtime=0) if len(body) >= SMALLEST_PACKED else None
    etag = f'W/"{hashlib.sha256(body).hexdigest()[:32]}"'
    return Asset(KINDS[name[name.rfind(".") :]], body, packed, etag)
