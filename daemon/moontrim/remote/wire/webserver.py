"""The web server: the phone page, its way to the broker, and a health check.

    /         the page, or one that says what is missing
    /static/  its files
    /mqtt     WebSocket to the broker (see `websocket`), only for pages of this server
    /healthz  JSON: tracking state and age of the last snapshot; 200 or 503

It cannot delay or end the daemon: connections are counted, waits are bounded, and a port that is
not free is one line in the log. Knows nothing of MQTT, accounts or passwords."""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import re
import socket
from collections.abc import Callable
from typing import Protocol
from urllib.parse import urlsplit

from aiohttp import web
from aiohttp.typedefs import Handler

from moontrim.clock.system import Clock
from moontrim.remote.wire.addresses import Gateway
from moontrim.remote.wire.assets import Asset, Assets, load_assets
from moontrim.remote.wire.websocket import LARGEST_MESSAGE, SUBPROTOCOL, carry, open_broker
from moontrim.state.hub import StateHub

log = logging.getLogger(__name__)

MOST_CONNECTIONS = 64  # chosen: bounds the file descriptors, which the radio needs too
MOST_BRIDGES = 32  # WebSockets among them; chosen: the others load pages
FIRST_REQUEST_S = 10.0  # chosen: for the first request of a connection
KEEP_ALIVE_S = 15.0  # chosen: a connection may be idle between requests
FAREWELL_S = 1.0  # chosen: for an orderly end
HEALTHY_TICK_AGE_S = 3.0  # chosen: three missed seconds of the tracker
# The Host header: a name or an IPv4 address, or an IPv6 address in brackets; perhaps a port.
_HOST = re.compile(r"[A-Za-z0-9.-]{1,253}(:\d{1,5})?|\[[0-9A-Fa-f:.]{2,45}\](:\d{1,5})?")


class Watched(Protocol):
    """The part of the daemon that the health check reads."""

    @property
    def hub(self) -> StateHub: ...
    @property
    def clock(self) -> Clock: ...


async def serve(
    daemon: Watched,
    gateway: Gateway,
    host: str,
    port: int,
    *,
    on_ready: Callable[[str], object] = lambda url: None,
) -> None:
    """Serves until cancelled. Raises OSError if the port is not free. Returns early, with a line in
    the log, where the page would be open to a network without a password.

    port: 0 takes a free one. on_ready: called with the page's address once it can be opened."""
    if not gateway.password_needed and not _is_loopback(host):
        log.error("no phone page: %s is open to the network and the broker asks no password", host)
        return
    assets = await asyncio.to_thread(load_assets, gateway)
    site = PageSite(daemon, gateway, assets)
    runner = web.AppRunner(
        site.application(),
        access_log=None,
        keepalive_timeout=KEEP_ALIVE_S,
        shutdown_timeout=FAREWELL_S,
    )
    await runner.setup()
    try:
        try:
            listening = socket.create_server((host, port))
        except (OSError, OverflowError) as error:
            raise OSError(f"cannot listen on {host} port {port}: {error}") from None
        # The socket is closed here: asyncio does not close one that it made itself if it is
        # cancelled before it serves.
        with listening:
            server = await asyncio.get_running_loop().create_server(
                lambda: site.admit(runner), sock=listening
            )
            async with server:
                on_ready(f"http://{_as_in_url(host)}:{listening.getsockname()[1]}/")
                await asyncio.get_running_loop().create_future()
    finally:
        await runner.cleanup()


class PageSite:
    """The routes of the server, and its open connections."""

    def __init__(self, daemon: Watched, gateway: Gateway, assets: Assets) -> None:
        self._daemon = daemon
        self._gateway = gateway
        self._assets = assets
        self._bridges: set[web.WebSocketResponse] = set()
        self._silent: set[asyncio.BaseProtocol] = set()  # connections without a request so far

    def application(self) -> web.Application:
        """Returns the application with its routes."""
        app = web.Application(middlewares=[self._guard])
        app.router.add_get("/", self._front)
        app.router.add_get("/static/{name:.+}", self._static)
        app.router.add_get("/mqtt", self._mqtt, allow_head=False)
        app.router.add_get("/healthz", self._healthz)
        app.on_response_prepare.append(self._headers)
        app.on_shutdown.append(self._close_bridges)
        return app

    def admit(self, runner: web.AppRunner) -> asyncio.BaseProtocol:
        """Returns the protocol of a new connection. Surplus connections are dropped, and so are
        those without a request: the radio must not run out of file descriptors."""
        assert runner.server is not None
        if len(runner.server.connections) >= MOST_CONNECTIONS:
            return _Refusal()
        protocol = runner.server()
        self._silent.add(protocol)

        def drop_if_silent() -> None:
            if protocol in self._silent:
                self._silent.discard(protocol)
                protocol.force_close()

        asyncio.get_running_loop().call_later(FIRST_REQUEST_S, drop_if_silent)
        return protocol

    # --- the routes -------------------------------------------------------------------------------

    async def _front(self, request: web.Request) -> web.StreamResponse:
        status = 200 if self._assets.complete else 503
        return _answer(request, self._assets.front, status)

    async def _static(self, request: web.Request) -> web.StreamResponse:
        asset = self._assets.named.get(request.match_info["name"])
        if asset is None:
            raise web.HTTPNotFound(text="no such file\n")
        return _answer(request, asset)

    async def _healthz(self, request: web.Request) -> web.StreamResponse:
        latest = self._daemon.hub.latest
        if latest is None:
            return web.json_response({"tracking": None, "tick_age_s": None}, status=503)
        age_s = self._daemon.clock.utc_s() - latest.utc_s
        health = {"tracking": str(latest.tracking), "tick_age_s": round(age_s, 3)}
        return web.json_response(health, status=200 if age_s <= HEALTHY_TICK_AGE_S else 503)

    async def _mqtt(self, request: web.Request) -> web.StreamResponse:
        origin = _host_of(request.headers.get("Origin", ""))
        if not origin or origin.lower() != request.host.lower():
            raise web.HTTPForbidden(text="only the page of this very server may connect here\n")
        page = web.WebSocketResponse(
            protocols=(SUBPROTOCOL,),
            max_msg_size=LARGEST_MESSAGE,
            writer_limit=LARGEST_MESSAGE,
            compress=False,
            timeout=FAREWELL_S,
        )
        try:
            ready = page.can_prepare(request)
        except ValueError:  # a key that is not ASCII
            raise web.HTTPBadRequest(text="no usable WebSocket key\n") from None
        if not ready.ok or ready.protocol != SUBPROTOCOL:
            raise web.HTTPBadRequest(text=f"a WebSocket with subprotocol {SUBPROTOCOL} is needed\n")
        if len(self._bridges) >= MOST_BRIDGES:
            raise web.HTTPServiceUnavailable(text=f"{MOST_BRIDGES} pages are connected already\n")
        self._bridges.add(page)
        try:
            try:
                broker = await open_broker(self._gateway)
            except OSError:
                raise web.HTTPBadGateway(text="the message broker does not answer\n") from None
            try:
                await page.prepare(request)
                assert isinstance(request.transport, asyncio.Transport)
                await carry(page, broker, request.transport)
            finally:
                broker.writer.close()
        finally:
            self._bridges.discard(page)
        return page

    # --- for every request ------------------------------------------------------------------------

    @web.middleware
    async def _guard(
        self,
        request: web.Request,
        handler: Handler,
    ) -> web.StreamResponse:
        self._silent.discard(request.protocol)
        if not _HOST.fullmatch(request.host):
            raise web.HTTPBadRequest(text="a usable Host is needed\n")
        # DNS rebinding: another site may point its name to this server's address, and its Origin
        # then equals the Host. Without a password, only names that no site can have are accepted.
        if not self._gateway.password_needed and not _is_safe_name(request.host):
            raise web.HTTPForbidden(text="open the page by its IP address or as localhost\n")
        return await handler(request)

    async def _headers(self, request: web.Request, answer: web.StreamResponse) -> None:
        host = request.host if _HOST.fullmatch(request.host) else "invalid"
        answer.headers.update(
            {
                # Older Safari does not count a WebSocket to the same host as 'self'.
                "Content-Security-Policy": "default-src 'none'; script-src 'self'; "
                "style-src 'self'; img-src 'self'; "
                f"connect-src 'self' ws://{host} wss://{host}; "
                "base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
                "X-Content-Type-Options": "nosniff",
                "Referrer-Policy": "no-referrer",
                "Cross-Origin-Resource-Policy": "same-origin",
                "Server": "moontrim",
            }
        )
        answer.headers.setdefault("Cache-Control", "no-store")

    async def _close_bridges(self, app: web.Application) -> None:
        await asyncio.gather(*(page.close(code=1001) for page in set(self._bridges)))


class _Refusal(asyncio.Protocol):
    """The protocol of a surplus connection: closes it at once."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        transport.close()


def _answer(request: web.Request, asset: Asset, status: int = 200) -> web.Response:
    """Returns a file, or `not modified`: browsers ask each time, so an update shows at once."""
    headers = {"Cache-Control": "no-cache", "ETag": asset.etag, "Vary": "Accept-Encoding"}
    known = request.headers.get("If-None-Match", "")
    if status == 200 and asset.etag in (tag.strip() for tag in known.split(",")):
        return web.Response(status=304, headers=headers)
    body = asset.body
    if asset.packed is not None and "gzip" in request.headers.get("Accept-Encoding", ""):
        body = asset.packed
        headers["Content-Encoding"] = "gzip"
    return web.Response(
        body=body, status=status, headers=headers, content_type=asset.kind, charset="utf-8"
    )


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _host_of(origin: str) -> str:
    """Returns host and port of an Origin; empty if it has none."""
    try:
        return urlsplit(origin).netloc
    except ValueError:
        return ""


def _is_safe_name(host: str) -> bool:
    """Is this Host header `localhost` or an IP address?"""
    try:
        name = (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:  # brackets with no address in them
        return False
    return name == "localhost" or _is_address(name)


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _as_in_url(host: str) -> str:
    return f"[{host}]" if ":" in host else host
