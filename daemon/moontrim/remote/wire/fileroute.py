"""The routes `GET /` and `GET /static/...` of the page's server: the pages and their files, and the
headers of every answer."""

from __future__ import annotations

import re

from aiohttp import web

from moontrim.config.remote import TOPIC_LEVEL
from moontrim.remote.wire.assets import ALL_STATIONS, STATION, Asset, Assets
from moontrim.remote.wire.hosts import is_host

CHANGES, LASTS = "no-cache", "public, max-age=31536000, immutable"  # RFC 8246


def front(request: web.Request, assets: Assets, name: str) -> web.Response:
    """Answers with the page of this daemon, of another station on its broker (`?station=NAME`) or
    of all of them (`?all`); 503 with the one that says what is missing.

    name: of this daemon."""
    which = ALL_STATIONS if "all" in request.query else STATION
    name = request.query.get("station", name)
    if re.fullmatch(TOPIC_LEVEL, name) is None:
        raise web.HTTPNotFound(text="no such station\n")
    return _answer(request, assets.page(which, name), 200 if assets.complete else 503)


def static(request: web.Request, assets: Assets) -> web.Response:
    """Answers with a file of the page; 404 if there is none of that name."""
    name = request.match_info["name"]
    asset = assets.named.get(name)
    if asset is None:
        raise web.HTTPNotFound(text="no such file\n")
    return _answer(request, asset, caching=LASTS if name in assets.lasting else CHANGES)


def _answer(
    request: web.Request, asset: Asset, status: int = 200, caching: str = CHANGES
) -> web.Response:
    """Returns a file, or `not modified`: with CHANGES browsers ask each time, so an update shows at
    once."""
    headers = {"Cache-Control": caching, "ETag": asset.etag, "Vary": "Accept-Encoding"}
    known = request.headers.get("If-None-Match", "")
    if status == 200 and asset.etag in (tag.strip() for tag in known.split(",")):
        return web.Response(status=304, headers=headers)
    body = asset.body
    if asset.packed is not None and "gzip" in request.headers.get("Accept-Encoding", ""):
        body = asset.packed
        headers["Content-Encoding"] = "gzip"
    charset = None if asset.kind.startswith("image/") else "utf-8"
    return web.Response(
        body=body, status=status, headers=headers, content_type=asset.kind, charset=charset
    )


def security_headers(request: web.Request, inline_scripts: str) -> dict[str, str]:
    """Returns the headers of every answer, by which a page runs nothing but its own scripts and
    connects to nothing but this server.

    inline_scripts: the sources of those that stand in the pages."""
    host = request.host if is_host(request.host) else "invalid"
    return {
        # Older Safari does not count a WebSocket to the same host as 'self'.
        "Content-Security-Policy": "default-src 'none'; "
        f"script-src 'self' {inline_scripts}; style-src 'self'; img-src 'self'; "
        f"manifest-src 'self'; connect-src 'self' ws://{host} wss://{host}; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "no-referrer",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Server": "moontrim",
    }
