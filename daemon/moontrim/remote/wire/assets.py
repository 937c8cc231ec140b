"""The files of the phone page, read once from the package and kept ready to send.

Knows nothing of HTTP servers. The page's MQTT library is put into `page/vendor` when the package is
built (see `hatch_build.py`); where it is missing, the page says so instead of staying blank."""

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
SMALLEST_PACKED = 1024


@dataclass(frozen=True, slots=True)
class Asset:
    """One file. packed: the same with gzip, None where that is not worth it. etag: a weak one, good
    for both; with its quotes."""

    kind: str
    body: bytes
    packed: bytes | None
    etag: str


@dataclass(frozen=True, slots=True)
class Assets:
    """front: what `/` gives. named: by path below `/static/`."""

    front: Asset
    named: dict[str, Asset]
    complete: bool


def load_assets(gateway: Gateway, page: Traversable | None = None) -> Assets:
    """Read and pack everything; some ten milliseconds, so not on the daemon's loop.

    page: another folder than the package's own."""
    page = files("moontrim.remote") / "page" if page is None else page
    found = dict(_walk(page, ""))
    complete = bool(found.get(LIBRARY))
    front = found[FRONT if complete else FRONT_WITHOUT_LIBRARY].decode()
    for mark, value in (
        ("{{root}}", gateway.root),
        ("{{station}}", gateway.station),
        ("{{password}}", "needed" if gateway.password_needed else "none"),
    ):
        front = front.replace(mark, html.escape(value))
    named = {name: _asset(name, body) for name, body in found.items() if not name.endswith(".html")}
    return Assets(_asset(FRONT, front.encode()), named, complete)


def _walk(folder: Traversable, prefix: str) -> list[tuple[str, bytes]]:
    found: list[tuple[str, bytes]] = []
    for entry in folder.iterdir():
        name = prefix + entry.name
        if entry.is_dir():
            found += _walk(entry, name + "/")
        elif name[name.rfind(".") :] in KINDS:
            found.append((name, entry.read_bytes()))
    return found


def _asset(name: str, body: bytes) -> Asset:
    packed = gzip.compress(body, mtime=0) if len(body) >= SMALLEST_PACKED else None
    etag = f'W/"{hashlib.sha256(body).hexdigest()[:32]}"'
    return Asset(KINDS[name[name.rfind(".") :]], body, packed, etag)
