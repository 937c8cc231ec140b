"""The files of the phone page, read once from the package and made ready to send.

Knows nothing of HTTP servers. The modules of a page are joined to one script (see `joined`), so
that all of it is requested in one round trip. Each file is sent under a name with its digest, which
a browser may keep for ever, and under its plain one:

    index.html   {{head}}   way to the broker, style sheet, script, codec, icons
    page.css     /static/page.css           /static/page.0123456789ab.css
    page.js      /static/joined/page.js     /static/joined/page.0123456789ab.js

The codec for MQTT packets is put into `page/vendor` when the package is built (see
`hatch_build.py`); where it is missing, another page says so."""

from __future__ import annotations

import base64
import gzip
import hashlib
import html
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable

from moontrim.remote.wire.addresses import Gateway
from moontrim.remote.wire.icon import icon_png, icon_svg
from moontrim.remote.wire.joined import COMMENT, join_modules

LIBRARY = "vendor/mqtt-packet.js"
STATION, ALL_STATIONS, INCOMPLETE = "index.html", "all.html", "missing.html"
# The style sheets and the first module of each page.
ENTRIES = {
    STATION: (("page.css",), "page.js"),
    ALL_STATIONS: (("page.css", "all.css"), "all.js"),
    INCOMPLETE: (("page.css",), ""),
}
INLINE = ("theme.js", "early.js")  # scripts that stand in the pages, before all that they load
MANIFEST = "manifest.webmanifest"
ICON_SIDES = (192, 512)  # pixels; what browsers require of a page to be installed
KINDS = {
    ".html": "text/html",
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".webmanifest": "application/manifest+json",
    ".txt": "text/plain",
}
SMALLEST_PACKED = 1024  # bytes; chosen: below, compression saves no packet
DIGEST_LENGTH = 12  # hexadecimal digits in a name; chosen
STATIC = re.compile(r"/static/([\w./-]+)")
SCRIPT = re.compile(r"<script>(.*?)</script>", re.DOTALL)


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
    """All files. named: by path below `/static/`. lasting: the paths whose content never changes.
    complete: the codec is among them. inline_scripts: what the content security policy must allow
    in `script-src` besides those of this server."""

    named: dict[str, Asset]
    lasting: frozenset[str]
    complete: bool
    inline_scripts: str
    _pages: dict[str, str]

    def page(self, which: str, name: str) -> Asset:
        """Returns STATION or ALL_STATIONS for a station's name, or INCOMPLETE."""
        text = self._pages[which if self.complete else INCOMPLETE]
        return _asset(STATION, text.replace("{{name}}", html.escape(name)).encode())


def load_assets(gateway: Gateway, page: Traversable | None = None) -> Assets:
    """Reads and compresses everything and draws the icons. That takes some hundred milliseconds, so
    it must not run on the daemon's loop.

    page: a folder to read instead of the package's."""
    page = files("moontrim.remote") / "page" if page is None else page
    bodies = dict(_walk(page, ""))
    pages = {name: body.decode() for name, body in bodies.items() if name in ENTRIES}
    scripts = {name: body.decode() for name, body in bodies.items() if name.endswith(".js")}
    inline = [COMMENT.sub("", scripts[name]) for name in INLINE if name in scripts]
    bodies = {name: body for name, body in bodies.items() if not name.endswith(".html")}
    bodies["icon.svg"] = icon_svg().encode()
    bodies |= {f"icon-{side}.png": icon_png(side) for side in ICON_SIDES}
    lasting = {name: _lasting_name(name, body) for name, body in bodies.items()}

    def add(name: str, text: str) -> None:
        """Adds a file that leads to others."""
        bodies[name] = _with_lasting_names(text, lasting).encode()
        lasting[name] = _lasting_name(name, bodies[name])

    add(MANIFEST, _manifest(gateway.name))
    for _, entry in ENTRIES.values():
        if entry in scripts:
            add(f"joined/{entry}", join_modules(entry, scripts, {LIBRARY: f"/static/{LIBRARY}"}))
    marks = {
        "{{root}}": html.escape(gateway.root),
        "{{home}}": html.escape(gateway.name),
        "{{password}}": "needed" if gateway.password_needed else "none",
    }
    for which in pages:
        marks["{{head}}"] = _head(which, inline)
        for mark, value in marks.items():
            pages[which] = pages[which].replace(mark, value)
        pages[which] = _with_lasting_names(pages[which], lasting)
    named = {name: _asset(name, body) for name, body in bodies.items()}
    named |= {long: named[name] for name, long in lasting.items()}
    complete = bool(bodies.get(LIBRARY))
    return Assets(named, frozenset(lasting.values()), complete, _inline_scripts(pages), pages)


def _walk(folder: Traversable, prefix: str) -> Iterator[tuple[str, bytes]]:
    """Yields path and content of all files of a known kind below a folder."""
    for entry in folder.iterdir():
        name = prefix + entry.name
        if entry.is_dir():
            yield from _walk(entry, name + "/")
        elif name[name.rfind(".") :] in KINDS:
            yield name, entry.read_bytes()


def _asset(name: str, body: bytes) -> Asset:
    packed = gzip.compress(body, mtime=0) if len(body) >= SMALLEST_PACKED else None
    etag = f'W/"{hashlib.sha256(body).hexdigest()[:32]}"'
    return Asset(KINDS[name[name.rfind(".") :]], body, packed, etag)


# --- names with a digest --------------------------------------------------------------------------


def _lasting_name(name: str, body: bytes) -> str:
    stem, _, kind = name.rpartition(".")
    return f"{stem}.{hashlib.sha256(body).hexdigest()[:DIGEST_LENGTH]}.{kind}"


def _with_lasting_names(text: str, lasting: Mapping[str, str]) -> str:
    return STATIC.sub(lambda match: f"/static/{lasting.get(match[1], match[1])}", text)


# --- what a page loads ----------------------------------------------------------------------------


def _head(which: str, inline: Sequence[str]) -> str:
    """Returns the lines of a page's head that load something, in the order of their urgency.

    inline: the scripts that stand in the page."""
    styles, entry = ENTRIES[which]
    lines = [f"<script>{script}</script>" for script in inline if entry]
    lines += [f'<link rel="stylesheet" href="/static/{style}">' for style in styles]
    if entry:
        lines += [
            f'<script src="/static/joined/{entry}" type="module"></script>',
            f'<link rel="modulepreload" href="/static/{LIBRARY}">',
        ]
    lines += [
        f'<link rel="manifest" href="/static/{MANIFEST}">',
        '<link rel="icon" href="/static/icon.svg" type="image/svg+xml">',
        f'<link rel="apple-touch-icon" href="/static/icon-{ICON_SIDES[0]}.png">',
        '<meta name="theme-color" content="#efece3" media="(prefers-color-scheme: light)">',
        '<meta name="theme-color" content="#090b10" media="(prefers-color-scheme: dark)">',
        '<meta name="mobile-web-app-capable" content="yes">',
        '<meta name="apple-mobile-web-app-capable" content="yes">',
        '<meta name="apple-mobile-web-app-title" content="{{name}}">',
    ]
    return "\n".join(lines)


def _manifest(name: str) -> str:
    """Returns the web application manifest (W3C), by which a phone installs the page."""
    icons = [
        {"src": f"/static/icon-{side}.png", "sizes": f"{side}x{side}", "type": "image/png"}
        for side in ICON_SIDES
    ]
    icons.append({"src": "/static/icon.svg", "sizes": "any", "type": "image/svg+xml"})
    manifest = {
        "id": "/",
        "name": f"moontrim {name}",
        "short_name": name,
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": "#090b10",
        "theme_color": "#090b10",
        "icons": [{**icon, "purpose": "any maskable"} for icon in icons],
    }
    return json.dumps(manifest, indent=1)


def _inline_scripts(pages: Mapping[str, str]) -> str:
    """Returns the sources of the scripts that stand in the pages, by digest (CSP 3, 2.3.1)."""
    digests = {
        hashlib.sha256(match[1].encode()).digest()
        for text in pages.values()
        for match in SCRIPT.finditer(text)
    }
    return " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in sorted(digests))
