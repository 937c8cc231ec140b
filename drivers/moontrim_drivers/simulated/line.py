"""The radio's end of a serial line: when bytes arrive, when the radio acts, when its answer is out.

Owns the time that bytes take at a baud rate, in both directions, and what can go wrong on a line.
It knows no bus (a Tongue does) and no pseudo-terminal: whoever owns the wire calls `received`, and
gives `send`.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Iterable
from functools import partial
from typing import Protocol

from moontrim_drivers.contract import DriverClock, RigClosed, RigUnreachable
from moontrim_drivers.simulated.radio import SimulatedConnection, SimulatedRadio

LOOK_EVERY_S = 0.05  # whether a radio that is away has come back


class Tongue(Protocol):
    """How a simulated radio speaks."""

    def messages(self, data: bytes) -> Iterable[bytes]:
        """Whole messages out of bytes in any pieces."""
        ...

    def act(self, message: bytes) -> bytes:
        """Do what the message says, at once, and return what the radio says to it."""
        ...

    def restart(self) -> None:
        """Forget settings and half messages: the radio has been switched off and on."""
        ...


class SimLine:
    """One radio on one line.

    baud: 0 for no time at all. echo: one wire, on which everything that is sent comes back.
    pieces: hand over answers in pieces of so many bytes; 0: whole. on: whether the radio is
    switched on; off, it hears nothing, and the line stays. spoil: what the line makes of the
    radio's answers. heard: the newest messages that the radio acted on.
    """

    def __init__(
        self,
        radio: SimulatedRadio,
        tongue: Tongue,
        clock: DriverClock,
        *,
        baud: int = 0,
        echo: bool = False,
        pieces: int = 0,
    ) -> None:
        self.radio = radio
        self.tongue = tongue
        self.clock = clock
        self.on = True
        self.spoil: Callable[[bytes], bytes] = bytes
        self.heard: deque[bytes] = deque(maxlen=10_000)
        self._byte_s = 10.0 / baud if baud else 0.0
        self._echo = echo
        self._pieces = pieces
        self._in_free_s = self._out_free_s = -float("inf")
        self._incoming: asyncio.Queue[tuple[float, bytes]] = asyncio.Queue()
        self._outgoing: asyncio.Queue[tuple[float, bytes]] = asyncio.Queue()

    def plug(self) -> None:
        """The wire is there. For whoever owns it."""

    def unplug(self) -> None:
        """The wire is gone; likewise."""

    def send(self, data: bytes) -> None:
        """Hand over bytes to the other end; likewise."""

    def received(self, data: bytes) -> None:
        """Bytes were put on the line at this moment."""
        self._in_free_s = max(self._in_free_s, self.clock.monotonic_s())
        for byte in data:
            self._in_free_s += self._byte_s
            for message in self.tongue.messages(bytes((byte,))):
                self._incoming.put_nowait((self._in_free_s, message))
        if self._echo:
            self._outgoing.put_nowait((self._in_free_s, data))

    def say(self, data: bytes) -> None:
        """Put bytes of the radio on the line."""
        data = self.spoil(data) if data else b""
        if not data:
            return
        start_s = max(self._out_free_s, self.clock.monotonic_s())
        if self._echo:
            start_s = max(start_s, self._in_free_s)
        self._out_free_s = start_s + len(data) * self._byte_s
        self._outgoing.put_nowait((self._out_free_s, data))

    def power_cycle(self) -> None:
        """Off and on, without unplugging."""
        self.radio.power_up()
        self.tongue.restart()

    async def run(self) -> None:
        """Serve for ever. Whenever the radio loses its connections the wire is unplugged until it
        can be reached again."""
        while True:
            connection = await self._connect()
            self.plug()
            try:
                await self._serve(connection)
            finally:
                self.unplug()
                connection.close()
            self.tongue.restart()

    async def _connect(self) -> SimulatedConnection:
        while True:
            try:
                return await self.radio.connect()
            except RigUnreachable:
                await self.clock.sleep(LOOK_EVERY_S)

    async def _serve(self, connection: SimulatedConnection) -> None:
        self._incoming, self._outgoing = asyncio.Queue(), asyncio.Queue()
        tasks = [
            asyncio.create_task(self._act(connection), name="simulated radio"),
            asyncio.create_task(self._deliver(), name="simulated line"),
            asyncio.create_task(connection.ended.wait(), name="unplugged"),
        ]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
        for task in done:
            task.result()

    async def _act(self, connection: SimulatedConnection) -> None:
        while True:
            at_s, message = await self._incoming.get()
            await self._until(at_s)
            if not self.on or self.radio.options.silent:
                continue
            self.heard.append(message)
            try:
                answer = await connection.ask(partial(self.tongue.act, message))
            except RigClosed:
                return
            if self.on:
                self.say(answer)

    async def _deliver(self) -> None:
        while True:
            at_s, data = await self._outgoing.get()
            await self._until(at_s)
            step = self._pieces or len(data)
            for start in range(0, len(data), step):
                self.send(data[start : start + step])
                if step < len(data):
                    await asyncio.sleep(0)

    async def _until(self, at_s: float) -> None:
        if (wait_s := at_s - self.clock.monotonic_s()) > 0.0:
            await self.clock.sleep(wait_s)
