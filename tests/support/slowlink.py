"""A slow radio link between a client and a server on the loopback, as TCP shows it: every packet
takes half a round trip, a new connection one more for its handshake, and a packet that is lost
comes after its retransmission, with all that were sent after it.

    client --packet--> |half a round trip, + retransmission if lost| --> server, in order

Which packets are lost follows from the seed, the number of the connection, the direction and the
number of the packet. A sender's window is 10 packets (RFC 6928) and grows by one with each that is
acknowledged (RFC 5681, slow start). Not simulated: the rate of the link."""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

from moontrim.clock.system import Clock, SystemClock

PACKET = 1400  # bytes; an Ethernet frame less headers and a tunnel
FIRST_WINDOW = 10  # packets
END = b""


@dataclass
class SlowLink:
    """round_trip_s: as `ping` shows it. loss: share of the packets. connections, packets, lost,
    received: counted, the last one in bytes to the client."""

    server_port: int
    round_trip_s: float
    loss: float
    seed: int
    clock: Clock = field(default_factory=SystemClock)
    port: int = 0
    connections: int = 0
    packets: int = 0
    lost: int = 0
    received: int = 0

    @asynccontextmanager
    async def open(self) -> AsyncIterator[SlowLink]:
        """Listens on `port` meanwhile."""
        tasks: set[asyncio.Task[None]] = set()

        async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            task = asyncio.current_task()
            assert task is not None
            tasks.add(task)
            try:
                await self._serve(reader, writer)
            finally:
                tasks.discard(task)

        server = await asyncio.start_server(connected, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        try:
            yield self
        finally:
            server.close()
            for task in tuple(tasks):
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            await asyncio.sleep(0)  # until their sockets are closed

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        number = self.connections
        self.connections += 1
        opened_s = self.clock.monotonic_s()
        server_reader, server_writer = await asyncio.open_connection("127.0.0.1", self.server_port)
        up = random.Random(f"{self.seed} {number} up")
        down = random.Random(f"{self.seed} {number} down")
        handshake_s = self.round_trip_s + self._late_s(up) + self._late_s(down)
        ways = [
            asyncio.create_task(way)
            for way in (
                self._carry(reader, server_writer, up, opened_s + handshake_s),
                self._carry(server_reader, writer, down, 0.0, counted=True),
            )
        ]
        try:
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for way in ways:
                way.cancel()
            await asyncio.gather(*ways, return_exceptions=True)
            server_writer.transport.abort()
            writer.transport.abort()

    def _late_s(self, chance: random.Random, more: int = 0) -> float:
        """Counts one packet; returns by how much it is late. more: how many follow at once. Where
        the receiver notices by three of them it is sent again after a round trip (RFC 5681,
        section 3.2), else after the probe timeout of two (RFC 8985, section 7.2)."""
        self.packets += 1
        if chance.random() >= self.loss:
            return 0.0
        self.lost += 1
        return self.round_trip_s * (1.0 if more >= 3 else 2.0)

    async def _carry(
        self,
        source: asyncio.StreamReader,
        target: asyncio.StreamWriter,
        chance: random.Random,
        ready_s: float,
        *,
        counted: bool = False,
    ) -> None:
        """Carries one direction until its end. ready_s: when its first packet can leave."""
        way: asyncio.Queue[tuple[float, bytes]] = asyncio.Queue()
        deliver = asyncio.create_task(self._deliver(way, target))
        acknowledged_s: list[float] = []  # when each packet is
        try:
            with contextlib.suppress(ConnectionError):
                while data := await source.read(65536):
                    leaves_s = max(ready_s, self.clock.monotonic_s())
                    for at in range(0, len(data), PACKET):
                        packet = data[at : at + PACKET]
                        self.received += len(packet) if counted else 0
                        # The window has room once half of those beyond the first are known to be
                        # there, since each one makes it larger by one.
                        beyond = len(acknowledged_s) - FIRST_WINDOW + 1
                        if beyond > 0:
                            leaves_s = max(leaves_s, acknowledged_s[(beyond + 1) // 2 - 1])
                        more = (len(data) - at - 1) // PACKET
                        due_s = leaves_s + self.round_trip_s / 2.0 + self._late_s(chance, more)
                        acknowledged_s.append(due_s + self.round_trip_s / 2.0)
                        way.put_nowait((due_s, packet))
            way.put_nowait((self.clock.monotonic_s() + self.round_trip_s / 2.0, END))
            await deliver
        finally:
            deliver.cancel()

    async def _deliver(
        self, way: asyncio.Queue[tuple[float, bytes]], target: asyncio.StreamWriter
    ) -> None:
        """Delivers packets when they are due, none before one that was sent earlier."""
        with contextlib.suppress(ConnectionError):
            while True:
                due_s, packet = await way.get()
                await self.clock.sleep(max(0.0, due_s - self.clock.monotonic_s()))
                if not packet:
                    return
                target.write(packet)
