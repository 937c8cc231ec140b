"""Accepts the connections of the page's server: within the limits of `limits`, with deadlines for
the TLS handshake and the head of the first request.

It accepts by itself, since the address of a connection must be known before anything is done for
it: a TLS handshake takes a processor for milliseconds."""

from __future__ import annotations

import asyncio
import logging
import socket
import ssl

from aiohttp import web
from aiohttp.web_protocol import RequestHandler

from moontrim.clock.system import SystemClock
from moontrim.remote.wire.limits import FailedLogins, Places, Rate

log = logging.getLogger(__name__)

HEAD_S = 5.0  # chosen: for the TLS handshake, and again for the head of the first request
BACKLOG = 128  # connections that wait to be accepted; chosen
ACCEPT_AGAIN_S = 0.5  # chosen: after accepting failed, as where file descriptors have run out

# The network runs in real time, also in a rehearsal.
_clock = SystemClock()


class Visitor:
    """One connection and its place. address: of the other end. secure: it uses TLS. requested: a
    whole request head has come."""

    def __init__(self, connection: socket.socket, address: str, *, secure: bool) -> None:
        self.address = address
        self.secure = secure
        self.requested = False
        self._socket: socket.socket | None = connection
        self._transport: asyncio.Transport | None = None
        self._task: asyncio.Task[None] | None = None
        self._dropped = False

    @property
    def closed(self) -> bool:
        if self._dropped:
            return True
        if self._transport is not None:
            return self._transport.is_closing()
        return self._task is not None and self._task.done()

    def drop(self) -> None:
        """Ends the connection at once."""
        self._dropped = True
        if self._transport is not None:
            self._transport.abort()
        elif self._task is not None:
            self._task.cancel()
        if self._socket is not None:  # the task has not begun
            self._socket.close()

    def start(self, protocol: RequestHandler, tls: ssl.SSLContext | None) -> asyncio.Task[None]:
        """Starts the handshake, if any, and serves the connection. Returns the task that does so
        until the head of the first request has come."""
        self._task = asyncio.create_task(self._begin(protocol, tls), name="page connection")
        return self._task

    async def _begin(self, protocol: RequestHandler, tls: ssl.SSLContext | None) -> None:
        assert self._socket is not None
        connection, self._socket = self._socket, None
        loop = asyncio.get_running_loop()
        self._transport, _ = await loop.connect_accepted_socket(
            lambda: protocol,
            connection,
            ssl=tls,
            ssl_handshake_timeout=None if tls is None else HEAD_S,
            ssl_shutdown_timeout=None if tls is None else HEAD_S,
        )
        await _clock.sleep(HEAD_S)
        if not self.requested:
            self.drop()


class Doors:
    """All listening sockets of a page, with one set of limits."""

    def __init__(self) -> None:
        self.places = Places()
        self.failed_logins = FailedLogins()
        self._rate = Rate()
        self._visitors: dict[RequestHandler, Visitor] = {}
        self._tasks: set[asyncio.Task[None]] = set()

    def visitor(self, request: web.Request) -> Visitor | None:
        """Returns who sent a request; None if it did not come through a door."""
        return self._visitors.get(request.protocol)

    async def failed_login(self, address: str) -> None:
        """Counts and logs a failed log-in, then waits: the answer to it comes later the more of
        them an address has."""
        count, delay_s = self.failed_logins.add(address, _clock.monotonic_s())
        if count & (count - 1) == 0:  # the first, and each doubling: the log must not fill
            times = "" if count == 1 else f" ({count} times)"
            log.warning(
                "page: log-in refused, wrong account or password, from %s%s", address, times
            )
        await _clock.sleep(delay_s)

    async def accept(
        self, listening: socket.socket, runner: web.AppRunner, tls: ssl.SSLContext | None = None
    ) -> None:
        """Accepts connections until cancelled."""
        loop = asyncio.get_running_loop()
        listening.setblocking(False)
        try:
            while True:
                try:
                    connection, (address, *_) = await loop.sock_accept(listening)
                except OSError as error:
                    log.warning("page: cannot accept a connection: %s", error)
                    await _clock.sleep(ACCEPT_AGAIN_S)
                    continue
                if self._rate.admits(address, _clock.monotonic_s()):
                    self._enter(connection, address, runner, tls)
                else:
                    connection.close()
        finally:
            for task in self._tasks:
                task.cancel()

    def _enter(
        self,
        connection: socket.socket,
        address: str,
        runner: web.AppRunner,
        tls: ssl.SSLContext | None,
    ) -> None:
        assert runner.server is not None
        protocol = runner.server()
        visitor = Visitor(connection, address, secure=tls is not None)
        self._visitors = {k: v for k, v in self._visitors.items() if not v.closed}
        self._visitors[protocol] = visitor
        self.places.enter(visitor)
        task = visitor.start(protocol, tls)
        self._tasks.add(task)
        task.add_done_callback(self._ended)

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        if not task.cancelled() and (error := task.exception()) is not None:
            log.debug("page: connection ended: %s", error)


def listen(host: str, port: int) -> socket.socket:
    """Returns a listening socket. Raises OSError that names it."""
    try:
        return socket.create_server((host, port), backlog=BACKLOG)
    except (OSError, OverflowError) as error:
        raise OSError(f"cannot listen on {host} port {port}: {error}") from None
