"""Bytes on the HTTP port, through the whole server but its sockets.

No request may fail inside, and the way to the broker opens only for a page of this server, in a
browser that reached it under a name that no other site can have."""

from __future__ import annotations

import asyncio
import functools
import re
from collections.abc import Coroutine, Iterable
from pathlib import Path
from types import SimpleNamespace
from typing import Any, TypeVar

from aiohttp import web as server

from fuzz.target import Target, hold, pieces
from moontrim.clock.system import SystemClock
from moontrim.remote.wire.addresses import Gateway
from moontrim.remote.wire.assets import load_assets
from moontrim.remote.wire.webserver import PageSite
from moontrim.state.hub import StateHub

T = TypeVar("T")

ROUNDS = 12  # of the event loop, between two pieces


@functools.cache
def the_loop() -> asyncio.AbstractEventLoop:
    """Returns the loop for all inputs: making one takes longer than most of them."""
    made = asyncio.new_event_loop()
    _loops.append(made)
    return made


_loops: list[asyncio.AbstractEventLoop] = []


def close_loop() -> None:
    """Closes the loop at the end, so that no warning comes of it."""
    while _loops:
        _loops.pop().close()
    the_loop.cache_clear()
    _site.cache_clear()


def complete(coroutine: Coroutine[Any, Any, T]) -> T:
    return the_loop().run_until_complete(coroutine)


class _Transport(asyncio.Transport):
    """A transport that stores what is written."""

    def __init__(self) -> None:
        super().__init__({"peername": ("127.0.0.1", 50_000), "sockname": ("127.0.0.1", 8144)})
        self.written = bytearray()
        self.closed = False

    def write(self, data: bytes | bytearray | memoryview[Any]) -> None:
        self.written += data

    def writelines(self, some: Iterable[bytes | bytearray | memoryview[Any]]) -> None:
        for data in some:
            self.write(data)

    def is_closing(self) -> bool:
        return self.closed

    def close(self) -> None:
        self.closed = True

    abort = close

    def is_reading(self) -> bool:
        return True

    def pause_reading(self) -> None:
        pass

    resume_reading = pause_reading

    def get_write_buffer_size(self) -> int:
        return 0

    def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:
        pass


@functools.cache
def _site(password_needed: bool) -> tuple[PageSite, server.AppRunner]:
    """Returns page site and runner. The broker behind it is never reachable: a request that gets as
    far as connecting to it is answered 502."""
    gateway = Gateway("", 0, Path("/nowhere/page"), password_needed, "moontrim", "station")
    daemon = SimpleNamespace(hub=StateHub(), clock=SystemClock())
    site = PageSite(daemon, gateway, load_assets(gateway))
    # Else a body that never comes keeps its count for ten seconds after the connection is lost.
    runner = server.AppRunner(site.application(), access_log=None, lingering_time=0.0)
    complete(runner.setup())
    return site, runner


_STATUS = re.compile(rb"HTTP/1\.[01] (\d\d\d) ")


def http(data: bytes) -> None:
    """One connection. The first byte: the sizes of the pieces in its lowest bits, whether a
    password is needed in its highest."""
    with_password = bool(data and data[0] & 0x80)
    _, runner = _site(with_password)
    transport = _Transport()

    async def talk() -> None:
        assert runner.server is not None
        protocol: Any = runner.server()
        protocol.connection_made(transport)
        for piece in pieces(data):
            if transport.closed:
                break
            protocol.data_received(piece)
            for _ in range(ROUNDS):
                await asyncio.sleep(0)
        protocol.connection_lost(None)
        for _ in range(ROUNDS):
            await asyncio.sleep(0)

    complete(talk())
    written = bytes(transport.written)
    codes = [int(code) for code in _STATUS.findall(written)]
    hold(500 not in codes, "a request failed inside")
    hold(101 not in codes, "a way to a broker that is not there")
    if 502 in codes and not with_password:
        hosts = re.findall(rb"^host:[ \t]*(.*?)[ \t]*\r?$", data[1:], re.IGNORECASE | re.MULTILINE)
        hold(any(map(_named_by_address, hosts)), f"a page under {hosts} gets to the broker")
    if 502 in codes:
        hold(re.search(rb"^origin:", data[1:], re.IGNORECASE | re.MULTILINE), "without an origin")
    hold(runner.server is not None and not runner.server.connections, "a connection is kept")


def _named_by_address(host: bytes) -> bool:
    """Is this `localhost`, or digits, dots and colons only, which cannot be registered as a
    name?"""
    name = host.decode("latin-1").lower()
    return bool(re.fullmatch(r"localhost(:\d+)?|[0-9.]+(:\d+)?|\[[0-9a-f:.]+\](:\d+)?", name))


def _request(path: str, *headers: str) -> bytes:
    lines = (f"GET {path} HTTP/1.1", "Host: 127.0.0.1:8144", *headers)
    return "".join(f"{line}\r\n" for line in (*lines, "")).encode()


_SOCKET = (
    *("Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Version: 13"),
    *("Sec-WebSocket-Key: MDEyMzQ1Njc4OWFiY2RlZg==", "Sec-WebSocket-Protocol: mqtt"),
)
_SEEDS = (
    b"\x00" + _request("/"),
    b"\x80" + _request("/static/page.js", "Accept-Encoding: gzip", 'If-None-Match: W/"0"'),
    b"\x00" + _request("/healthz", "Connection: close"),
    b"\x00" + _request("/mqtt", "Origin: http://127.0.0.1:8144", *_SOCKET),
    b"\x80" + _request("/mqtt", "Origin: http://127.0.0.1:8144", *_SOCKET),
    b"\x00" + _request("/mqtt", "Origin: http://rebound.example", *_SOCKET),
    b"\x00" + b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 3\r\n\r\nabc" + _request("/"),
    b"\x00" + b"GET /static/../../etc/passwd HTTP/1.1\r\nHost: [::1]:8144\r\n\r\n",
)
_TOKENS = (
    *(b"Host: ", b"Origin: ", b"\r\n", b"[", b"]", b"[::1", b"http://[", b"rebound.example", b":"),
    *(
        b"127.0.0.1",
        b"localhost",
        b"%2e%2e/",
        b"\x00",
        b"HTTP/1.0",
        b"Transfer-Encoding: chunked\r\n",
    ),
    *(
        b"Origin: null\r\n",
        b"Host: rebound.example\r\n",
        b"@",
        b"#",
        b"?",
        b"\xff",
        b"[::ffff:1.2.3]",
    ),
    *(b"Origin: http://[\r\n", b"Host: [::::]\r\n", b"\xe2\x84\x80", b"Expect: 100-continue\r\n"),
)

TARGETS = (Target("http", http, _SEEDS, _TOKENS),)
