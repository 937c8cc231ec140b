"""The web server: the phone page, its way to the broker, and a health check.

    /         the page, or one that says what is missing; /?station=NAME for another station on the
              broker, /?all for all of them
    /static/  its files
    /mqtt     WebSocket to the broker (see `websocket`), only for pages of this server
    /healthz  JSON: tracking state and age of the last snapshot; 200 or 503
    /forbid   POST: inhibits transmit without the broker (see `forbidroute`)
    /access   POST: how another phone reaches the page, for those logged in (see `accessroute`)
    /report   POST: makes the running session's report, for those logged in (see `reportroute`)

All of that over TLS, and without it on loopback. Another machine gets nothing without TLS but the
certificate (see `landing`).

It cannot delay or end the daemon: connections are limited (see `limits`), and waits are bounded.
Knows nothing of MQTT."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable
from typing import Protocol

from aiohttp import web
from aiohttp.typedefs import Handler

from moontrim.clock.system import Clock
from moontrim.remote.wire.accessroute import access_by_request
from moontrim.remote.wire.addresses import ForbidAccess, Gateway, SecureDoor
from moontrim.remote.wire.assets import Assets, load_assets
from moontrim.remote.wire.door import Doors, listen
from moontrim.remote.wire.fileroute import front, security_headers, static
from moontrim.remote.wire.forbidroute import forbid_by_request
from moontrim.remote.wire.hosts import as_in_url, is_host, is_loopback, is_safe_name
from moontrim.remote.wire.landing import landing
from moontrim.remote.wire.limits import LOGGED_IN_MOST
from moontrim.remote.wire.loggedin import require_page_of_this_server
from moontrim.remote.wire.reportroute import POLICY, Reporter, ReportRoutes
from moontrim.remote.wire.websocket import LARGEST_MESSAGE, SUBPROTOCOL, carry, open_broker
from moontrim.state.hub import StateHub

log = logging.getLogger(__name__)

KEEP_ALIVE_S = 15.0  # chosen: a connection may be idle between requests
FAREWELL_S = 1.0  # chosen: for an orderly end
HEALTHY_TICK_AGE_S = 3.0  # chosen: three missed seconds of the tracker


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
    access: ForbidAccess | None = None,
    secure: SecureDoor | None = None,
    reporter: Reporter | None = None,
    on_ready: Callable[[str], object] = lambda url: None,
    on_page: Callable[[], object] = lambda: None,
) -> None:
    """Serves until cancelled. Raises OSError if the port is not free. Returns early, with a line in
    the log, where the page would be open to a network without a password.

    port: 0 takes a free one. access: who may inhibit transmit by a request; None: nobody. secure:
    for other machines, without which nothing but loopback is served. reporter: makes the report;
    None: there is none. on_ready: called with the plain address once it can be opened. on_page:
    called when a page has logged in at the broker."""
    if not gateway.password_needed and not is_loopback(host):
        log.error("no phone page: %s is open to the network and the broker asks no password", host)
        return
    if secure is None and not is_loopback(host):
        log.error("no phone page: %s is open to the network, and there is no certificate", host)
        return
    assets = await asyncio.to_thread(load_assets, gateway)
    site = PageSite(daemon, gateway, assets, access, secure, host, reporter, on_page)
    runner = web.AppRunner(
        site.application(),
        access_log=None,
        keepalive_timeout=KEEP_ALIVE_S,
        shutdown_timeout=FAREWELL_S,
    )
    await runner.setup()
    try:
        with contextlib.ExitStack() as sockets:
            plain = sockets.enter_context(listen(host, port))
            encrypted = None
            if secure is not None:
                encrypted = sockets.enter_context(listen(host, secure.port))
            site.plain_port = plain.getsockname()[1]
            on_ready(f"http://{as_in_url(host)}:{site.plain_port}/")
            async with asyncio.TaskGroup() as group:
                group.create_task(site.doors.accept(plain, runner))
                if secure is not None and encrypted is not None:
                    group.create_task(site.doors.accept(encrypted, runner, secure.tls))
    finally:
        await runner.cleanup()


class PageSite:
    """The routes of the server, and its open connections."""

    def __init__(
        self,
        daemon: Watched,
        gateway: Gateway,
        assets: Assets,
        access: ForbidAccess | None = None,
        secure: SecureDoor | None = None,
        host: str = "127.0.0.1",
        reporter: Reporter | None = None,
        on_page: Callable[[], object] = lambda: None,
    ) -> None:
        self._host, self.plain_port = host, 0
        self._daemon = daemon
        self._gateway = gateway
        self._assets = assets
        self._access = access
        self._secure = secure
        self._on_page = on_page
        self._bridges: set[web.WebSocketResponse] = set()
        self.doors = Doors()
        self._report = ReportRoutes(access, reporter, self.doors)

    def application(self) -> web.Application:
        """Returns the application with its routes."""
        app = web.Application(middlewares=[self._guard])
        app.router.add_get("/", self._front)
        app.router.add_get("/static/{name:.+}", self._static)
        app.router.add_get("/mqtt", self._mqtt, allow_head=False)
        app.router.add_get("/healthz", self._healthz)
        app.router.add_post("/forbid", self._forbid)
        app.router.add_post("/access", self._show_access)
        self._report.add_to(app)
        app.on_response_prepare.append(self._headers)
        app.on_shutdown.append(self._close_bridges)
        return app

    # --- the routes -------------------------------------------------------------------------------

    async def _front(self, request: web.Request) -> web.StreamResponse:
        return front(request, self._assets, self._gateway.name)

    async def _static(self, request: web.Request) -> web.StreamResponse:
        return static(request, self._assets)

    async def _healthz(self, request: web.Request) -> web.StreamResponse:
        latest = self._daemon.hub.latest
        if latest is None:
            return web.json_response({"tracking": None, "tick_age_s": None}, status=503)
        age_s = self._daemon.clock.utc_s() - latest.utc_s
        health = {"tracking": str(latest.tracking), "tick_age_s": round(age_s, 3)}
        return web.json_response(health, status=200 if age_s <= HEALTHY_TICK_AGE_S else 503)

    async def _forbid(self, request: web.Request) -> web.StreamResponse:
        require_page_of_this_server(request)
        if self._access is None:
            raise web.HTTPNotFound(text="use MQTT, or moontrim forbid on the machine\n")
        return await forbid_by_request(request, self._access, self.doors)

    async def _show_access(self, request: web.Request) -> web.StreamResponse:
        require_page_of_this_server(request)
        if self._access is None or self._secure is None:
            raise web.HTTPNotFound(text="not for other machines; moontrim access shows the way\n")
        return await access_by_request(
            request, self._access, self._secure, self.doors, self._host, self.plain_port
        )

    async def _mqtt(self, request: web.Request) -> web.StreamResponse:
        require_page_of_this_server(request)
        visitor = self.doors.visitor(request)
        address = "" if visitor is None else visitor.address
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
        if not self.doors.places.has_room:
            raise web.HTTPServiceUnavailable(text=f"{LOGGED_IN_MOST} pages are connected already\n")

        async def on_login(accepted: bool) -> bool:
            if not accepted:
                await self.doors.failed_login(address)
                return False
            self.doors.failed_logins.forget(address)
            if visitor is not None and not self.doors.places.log_in(visitor):
                return False
            self._on_page()
            return True

        self._bridges.add(page)
        try:
            try:
                broker = await open_broker(self._gateway)
            except OSError:
                raise web.HTTPBadGateway(text="the MQTT broker is not responding\n") from None
            try:
                await page.prepare(request)
                assert isinstance(request.transport, asyncio.Transport)
                await carry(page, broker, request.transport, on_login)
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
        if (visitor := self.doors.visitor(request)) is not None:
            visitor.requested = True
        if not is_host(request.host):
            raise web.HTTPBadRequest(text="a usable Host is needed\n")
        if (
            self._secure is not None
            and visitor is not None
            and not visitor.secure
            and not is_loopback(visitor.address)
        ):
            return landing(request, self._secure, self._gateway.name)
        # DNS rebinding: another site may point its name to this server's address, and its Origin
        # then equals the Host. Without a password, only names that no site can have are accepted.
        if not self._gateway.password_needed and not is_safe_name(request.host):
            raise web.HTTPForbidden(text="open the page by its IP address or as localhost\n")
        return await handler(request)

    async def _headers(self, request: web.Request, answer: web.StreamResponse) -> None:
        stricter = {POLICY: answer.headers[POLICY]} if POLICY in answer.headers else {}
        answer.headers.update(security_headers(request, self._assets.inline_scripts) | stricter)
        answer.headers.setdefault("Cache-Control", "no-store")

    async def _close_bridges(self, app: web.Application) -> None:
        await asyncio.gather(*(page.close(code=1001) for page in set(self._bridges)))
