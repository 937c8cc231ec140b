"""One program and its connection to the share, in memory: a transport to the client, which behaves
like asyncio's, and the other end to the scene."""

from __future__ import annotations

import asyncio
from collections import deque
from typing import Any, cast

from fuzz.target import hold
from moontrim.share.connection import Client
from moontrim.share.protocol import LONGEST_LINE

# Bounds of a client, small enough to be reached by inputs of a few hundred bytes.
MOST_WAITING, MOST_UNREAD = 2 * LONGEST_LINE + 88, 2048
LONGEST_PIECE, LONGEST_ANSWER = 512, 1024


class Peer(asyncio.Transport):
    """host: the address it comes from. connected: it has not closed its side. taking: it reads its
    answers. received: what arrived at the client; written: what the client wrote."""

    def __init__(self, host: str, loop: asyncio.AbstractEventLoop) -> None:
        super().__init__({"peername": (host, 50_000), "socket": _Socket()})
        self.host, self._loop, self.protocol = host, loop, cast(Client, None)
        self.received, self.written = (
            bytearray(),
            bytearray(),
        )  # arrived at the client; written by it
        self.connected = self.taking = True
        self.closed = self.aborted = self.lost = self.paused = self.full = False
        self._untaken, self._high = 0, 65_536
        self._coming: deque[bytes | None] = deque()  # None: the end

    # the program's side

    def send(self, data: bytes, step: int = LONGEST_PIECE) -> None:
        self._coming.extend(data[at : at + step] for at in range(0, len(data), step))

    def end(self) -> None:
        self._coming.append(None)

    def deliver(self) -> bool:
        """Delivers one piece to the client; False if there is none or the client does not read."""
        if not self._coming or self.paused or self.closed or self.lost or not self.connected:
            return False
        piece = self._coming.popleft()
        if piece is None:
            self.connected = False
            hold(self.protocol.eof_received(), "what was asked before is not answered")
            return True
        self.received += piece
        self.protocol.data_received(piece)
        waiting = len(self.protocol._input.waiting)
        bound = MOST_WAITING + (2 if self.closed else 1) * LONGEST_PIECE
        hold(waiting <= bound, f"{waiting} bytes of commands are kept")
        return True

    def vanish(self) -> None:
        self.connected, self.aborted = False, True
        self._lose()

    def take(self, on: bool) -> None:
        self.taking = on
        if on:
            self._untaken = 0
            if self.full and not self.lost:
                self.full = False
                self.protocol.resume_writing()
            if self.closed:
                self._lose()

    def _lose(self) -> None:
        if not self.lost:
            self.closed = self.lost = True
            if self.protocol is not None:
                self.protocol.connection_lost(None)

    # the client's side

    def write(self, data: bytes | bytearray | memoryview[Any]) -> None:
        if self.closed:
            return
        self.written += data
        self._untaken += 0 if self.taking else len(data)
        hold(self._untaken <= MOST_UNREAD + LONGEST_ANSWER, f"{self._untaken} bytes not taken")
        self._fill()

    def _fill(self) -> None:
        if self._untaken > self._high and not self.full:
            self.full = True
            self.protocol.pause_writing()

    def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:
        self._high = 65_536 if high is None else high
        self._fill()

    def set_protocol(self, protocol: asyncio.BaseProtocol) -> None:
        self.protocol = cast(Client, protocol)

    def pause_reading(self) -> None:
        self.paused = True

    def resume_reading(self) -> None:
        self.paused = False

    def is_closing(self) -> bool:
        return self.closed

    def close(self) -> None:
        if not self.closed:
            self.closed = True
            if not self._untaken:
                self._loop.call_soon(self._lose)

    def abort(self) -> None:
        if not self.lost:
            self.closed = self.aborted = True
            self._loop.call_soon(self._lose)


class _Socket:
    def setsockopt(self, *args: object) -> None:
        pass
