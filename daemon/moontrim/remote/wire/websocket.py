"""MQTT over WebSocket: carries bytes between a page and the broker without interpreting them.

Every wait is bounded, and nothing is buffered beyond the sockets' limits: while a page does not
read, nothing is read from the broker for it, and it is dropped after a while."""

from __future__ import annotations

import asyncio
import contextlib

from aiohttp import WSMsgType, web

from moontrim.clock.system import SystemClock
from moontrim.remote.wire.addresses import Gateway

SUBPROTOCOL = "mqtt"  # registered with IANA; MQTT 5.0 (OASIS), section 6
LARGEST_MESSAGE = 32 * 1024  # twice the broker's largest packet
READ_AT_ONCE = 16 * 1024  # bytes; the broker's largest packet
OPEN_S = 3.0  # chosen: for the broker to accept a connection
FIRST_MESSAGE_S = 5.0  # chosen: for the page's first message
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
                gateway.host, gateway.port, ssl=gateway.tls, limit=READ_AT_ONCE
            )
    return Broker(*opened)


async def carry(page: web.WebSocketResponse, broker: Broker, abort_page: asyncio.Transport) -> None:
    """Carries bytes until either end closes, falls silent or becomes too slow; then closes both.

    abort_page: the page's transport, aborted if the page does not close in time."""
    ways = [
        asyncio.create_task(_page_to_broker(page, broker), name="page to broker"),
        asyncio.create_task(_broker_to_page(page, broker), name="broker to page"),
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


async def _page_to_broker(page: web.WebSocketResponse, broker: Broker) -> None:
    patience_s = FIRST_MESSAGE_S
    with contextlib.suppress(OSError):
        while True:
            async with _clock.timeout(patience_s):
                message = await page.receive()
            if message.type is not WSMsgType.BINARY:
                return
            async with _clock.timeout(SLOW_S):
                broker.writer.write(message.data)
                await broker.writer.drain()
            patience_s = IDLE_S


async def _broker_to_page(page: web.WebSocketResponse, broker: Broker) -> None:
    with contextlib.suppress(OSError, RuntimeError):
        while data := await broker.reader.read(READ_AT_ONCE):
            async with _clock.timeout(SLOW_S):
                await page.send_bytes(data)
