"""MQTT over WebSocket: carries bytes between a page and the broker. It interprets none of them but
the broker's answer to the log-in, which must come in time.

Every wait is bounded, and nothing is buffered beyond the sockets' limits: while a page does not
read, nothing is read from the broker for it, and it is dropped after a while."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable

from aiohttp import WSMsgType, web

from moontrim.clock.system import SystemClock
from moontrim.remote.wire.addresses import STAGGER_S, Gateway
from moontrim.remote.wire.connack import LONGEST_HEAD, login_result

SUBPROTOCOL = "mqtt"  # registered with IANA; MQTT 5.0 (OASIS), section 6
LARGEST_MESSAGE = 32 * 1024  # twice the broker's largest packet
READ_AT_ONCE = 16 * 1024  # bytes; the broker's largest packet
OPEN_S = 3.0  # chosen: for the broker to accept a connection
LOGIN_S = 5.0  # chosen: from the opening to the broker's answer to the log-in
IDLE_S = 90.0  # chosen: a page pings every 10 s, a sleeping phone less often
SLOW_S = 20.0  # chosen: for one message to be accepted by either end
CLOSE_S = 2.0  # chosen: for an orderly end

# The network runs in real time, also in a rehearsal.
_clock = SystemClock()


class Broker:
    """An open connection to the broker."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader = reader
        self.writer = writer


async def open_broker(gateway: Gateway) -> Broker:
    """Connects to the broker. Raises OSError (TimeoutError and ssl.SSLError are kinds of it)."""
    async with _clock.timeout(OPEN_S):
        if gateway.unix_path is not None:
            opened = await asyncio.open_unix_connection(gateway.unix_path, limit=READ_AT_ONCE)
        else:
            opened = await asyncio.open_connection(
                gateway.host,
                gateway.port,
                ssl=gateway.tls,
                limit=READ_AT_ONCE,
                happy_eyeballs_delay=STAGGER_S,
            )
    return Broker(*opened)


async def carry(
    page: web.WebSocketResponse,
    broker: Broker,
    abort_page: asyncio.Transport,
    on_login: Callable[[bool], Awaitable[bool]],
) -> None:
    """Carries bytes until either end closes, falls silent or becomes too slow, or the page has not
    logged in in time; then closes both.

    abort_page: the page's transport, aborted if the page does not close in time. on_login: called
    with the broker's answer to the log-in, which goes to the page once it returns, and returns
    whether the page may stay."""
    logged_in = asyncio.Event()

    async def stays(accepted: bool) -> bool:
        if await on_login(accepted) and accepted:
            logged_in.set()
        return logged_in.is_set()

    ways = [
        asyncio.create_task(_page_to_broker(page, broker), name="page to broker"),
        asyncio.create_task(_broker_to_page(page, broker, stays), name="broker to page"),
        asyncio.create_task(_login_deadline(logged_in), name="log-in deadline"),
    ]
    try:
        await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for way in ways:
            way.cancel()
        await asyncio.gather(*ways, return_exceptions=True)
        broker.writer.transport.abort()
        try:
            async with _clock.timeout(CLOSE_S):
                await page.close()
        except (OSError, RuntimeError):
            abort_page.abort()


async def _login_deadline(logged_in: asyncio.Event) -> None:
    """Returns if there is no log-in in time; else never."""
    if await _clock.wait(logged_in, LOGIN_S):
        await asyncio.get_running_loop().create_future()


async def _page_to_broker(page: web.WebSocketResponse, broker: Broker) -> None:
    with contextlib.suppress(OSError):
        while True:
            async with _clock.timeout(IDLE_S):
                message = await page.receive()
            if message.type is not WSMsgType.BINARY:
                return
            async with _clock.timeout(SLOW_S):
                broker.writer.write(message.data)
                await broker.writer.drain()


async def _broker_to_page(
    page: web.WebSocketResponse, broker: Broker, stays: Callable[[bool], Awaitable[bool]]
) -> None:
    start: bytes | None = b""  # of the broker's answer; None once it is known
    with contextlib.suppress(OSError, RuntimeError):
        while data := await broker.reader.read(READ_AT_ONCE):
            may_stay = True
            if start is not None:
                start = (start + data)[:LONGEST_HEAD]
                if (accepted := login_result(start)) is not None:
                    start, may_stay = None, await stays(accepted)
            async with _clock.timeout(SLOW_S):
                await page.send_bytes(data)
            if not may_stay:
                return
