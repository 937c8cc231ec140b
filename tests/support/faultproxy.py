"""A bad network between a client and a server on the loopback: latency, bytes one at a time,
silence, an end in the middle of an answer, a reset.

Times are by the clock passed in; nothing is random."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
from dataclasses import dataclass, field
from typing import Literal

from moontrim.clock.system import Clock

End = Literal["fin", "reset"]


@dataclass
class FaultProxy:
    """`await listen(port of the server)`, then connect to `port`.

    latency_s: delay of each piece. slice_bytes: the largest piece; 0: as it comes. silent:
    everything is dropped in both directions, and connections stay open. refuse: a new connection is
    ended at once."""

    clock: Clock
    port: int = 0
    latency_s: float = 0.0
    slice_bytes: int = 0
    silent: bool = False
    refuse: bool = False
    connections: int = 0
    _cut_after: int | None = None  # bytes of answers
    _cut_how: End = "fin"
    _server: asyncio.Server | None = None
    _clients: set[asyncio.StreamWriter] = field(default_factory=set)

    async def listen(self, server_port: int) -> None:
        async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            await self._serve(server_port, reader, writer)

        self._server = await asyncio.start_server(connected, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]

    async def close(self) -> None:
        assert self._server is not None
        self._server.close()
        self.end_all("fin")
        while self._clients:
            await asyncio.sleep(0)

    def cut_after(self, answer_bytes: int, how: End) -> None:
        """Ends the connection after so many more bytes of answers, in the middle of an answer."""
        self._cut_after, self._cut_how = answer_bytes, how

    def end_all(self, how: End) -> None:
        for writer in tuple(self._clients):
            _end(writer, how)

    async def _serve(
        self, server_port: int, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        self.connections += 1
        if self.refuse:
            _end(writer, "reset")
            return
        self._clients.add(writer)
        server_reader, server_writer = await asyncio.open_connection("127.0.0.1", server_port)
        try:
            ways = (
                asyncio.create_task(self._pass(reader, server_writer, answers=False)),
                asyncio.create_task(self._pass(server_reader, writer, answers=True)),
            )
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
            for way in ways:
                way.cancel()
            await asyncio.wait(ways)
        finally:
            server_writer.transport.abort()
            writer.close()
            self._clients.discard(writer)

    async def _pass(
        self, source: asyncio.StreamReader, target: asyncio.StreamWriter, *, answers: bool
    ) -> None:
        with contextlib.suppress(ConnectionError):
            while data := await source.read(4096):
                for piece in self._pieces(data):
                    if self.latency_s:
                        await self.clock.sleep(self.latency_s)
                    if self.silent:
                        continue
                    if answers and self._cut_after is not None:
                        left, self._cut_after = self._cut_after, self._cut_after - len(piece)
                        if self._cut_after <= 0:
                            target.write(piece[:left])
                            self._cut_after = None
                            _end(target, self._cut_how)
                            return
                    target.write(piece)

    def _pieces(self, data: bytes) -> list[bytes]:
        size = self.slice_bytes or len(data)
        return [data[at : at + size] for at in range(0, len(data), size)]


def _end(writer: asyncio.StreamWriter, how: End) -> None:
    """A reset throws away what is still on its way (SO_LINGER of zero, socket(7))."""
    if how == "fin":
        writer.close()
        return
    peer: socket.socket = writer.get_extra_info("socket")
    with contextlib.suppress(OSError):
        peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    writer.transport.abort()
