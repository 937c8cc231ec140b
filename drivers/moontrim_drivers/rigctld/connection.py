"""One TCP connection to a rig-control daemon.

Owns the socket. Bytes are expected only between a question and its last answer; any others end the
connection. It knows no command: `wire.AnswerLines` checks what arrives.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Sequence

from moontrim_drivers.contract import (
    RigClosed,
    RigGarbled,
    RigNotSuitable,
    RigUnreachable,
)
from moontrim_drivers.emergencyunkey import EmergencyUnkey
from moontrim_drivers.rigctld.wire import AnswerLines, Question

UNACKNOWLEDGED_MS = 2000  # chosen: a pulled cable is noticed after this instead of after minutes


class Connection(asyncio.Protocol):
    """A TCP connection. After any failure it stays closed, and the next exchange raises why."""

    _address = ("", 0)  # where it goes to

    def __init__(self) -> None:
        self._transport: asyncio.Transport | None = None
        self._due: AnswerLines | None = None
        self._done: asyncio.Future[None] | None = None
        self._failure: Exception | None = None

    @classmethod
    async def connect(cls, host: str, port: int) -> Connection:
        """Returns a new connection. Raises RigUnreachable, RigNotSuitable for a bad host name."""
        loop = asyncio.get_running_loop()
        try:
            _, wire = await loop.create_connection(cls, host, port)
        except ConnectionRefusedError as error:
            raise RigUnreachable(f"connection refused by {host}:{port}") from error
        except OSError as error:
            raise RigUnreachable(f"{host}:{port}: {error.strerror or error}") from error
        except UnicodeError as error:
            raise RigNotSuitable(f"host: {host!r} is not a host name") from error
        wire._address = host, port
        return wire

    async def exchange(self, data: bytes, due: AnswerLines) -> None:
        """Sends whole lines in one write; returns when every line that is due has come."""
        assert self._done is None, "one exchange at a time"
        if self._failure is not None or self._transport is None:
            raise self._failure or RigClosed("not connected")
        self._due = due
        self._done = asyncio.get_running_loop().create_future()
        self._transport.write(data)
        try:
            await self._done
        finally:
            self._due = self._done = None

    def emergency_unkey(self, greeting: bytes, questions: Sequence[Question]) -> EmergencyUnkey:
        """Returns how another process unkeys the radio, over a connection of its own. questions:
        the command, and for a radio that reports it the question whether it transmits, whose answer
        then confirms; a report of success alone proves little."""
        confirmed = r"get_ptt:.*?PTT: 0\b" if len(questions) > 1 else r"set_ptt:.*?RPRT 0\b"
        unkey = b"".join(question.encode() for question in questions)
        return EmergencyUnkey(unkey, self._address, greeting, confirmed)

    def close(self) -> None:
        """Closes at once. Nothing more is sent; what was written went out in whole lines."""
        self._fail(RigClosed("closed by us"))

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        sock: socket.socket = transport.get_extra_info("socket")
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        with contextlib.suppress(AttributeError, OSError):  # not on every system
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNACKNOWLEDGED_MS)

    def data_received(self, data: bytes) -> None:
        if self._due is None or self._done is None:
            self._fail(RigGarbled("an answer came to no question"))
            return
        try:
            self._due.feed(data)
        except Exception as error:
            self._fail(error)
            return
        if self._due.finished and not self._done.done():
            self._done.set_result(None)

    def connection_lost(self, exc: Exception | None) -> None:
        # half a line that came before is dropped with the exchange that waits for the rest
        self._fail(RigClosed(f"the rig-control daemon ended the connection ({exc or 'EOF'})"))

    def _fail(self, error: Exception) -> None:
        if self._failure is None:
            self._failure = error
        if self._transport is not None:
            self._transport.abort()
            self._transport = None
        if self._done is not None and not self._done.done():
            self._done.set_exception(self._failure)
