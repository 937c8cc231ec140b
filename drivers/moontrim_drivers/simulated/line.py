"""The radio's end of a serial line: when bytes arrive, when the radio acts, when its answer is out.

Owns the time that bytes take at a baud rate, in both directions, and the faults of a line. It knows
no bus (a `Responder` does) and no pseudo-terminal: a subclass owns the wire, calls `received` and
overrides `send`.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Iterable
from functools import partial
from typing import Protocol

from moontrim_drivers.contract import DriverClock, RigClosed, RigUnreachable
from moontrim_drivers.simulated.connection import SimulatedConnection
from moontrim_drivers.simulated.radio import SimulatedRadio

RECONNECT_S = 0.05  # chosen: how often a radio that is unreachable is tried again


class Responder(Protocol):
    """How a simulated radio acts on the messages of a bus."""

    def messages(self, data: bytes) -> Iterable[bytes]:
        """Takes bytes in pieces of any size. Returns the messages that they complete."""
        ...

    def act(self, message: bytes) -> bytes:
        """Carries out a message at once. Returns the radio's answer; empty: none."""
        ...

    def restart(self) -> None:
        """Resets settings and drops half a message: the radio has been switched off and on."""
        ...


class SimLine:
    """One radio on one serial line.

    baud: 0: bytes take no time. echo: a one-wire bus, on which everything sent is also received.
    pieces: answers arrive in pieces of so many bytes; 0: whole. on: whether the radio is switched
    on; off, it receives nothing, and the line stays. spoil: called with each answer of the radio;
    returns it as the line damages it. heard: the newest messages that the radio acted on.
    """

    def __init__(
        self,
        radio: SimulatedRadio,
        responder: Responder,
        clock: DriverClock,
        *,
        baud: int = 0,
        echo: bool = False,
        pieces: int = 0,
    ) -> None:
        self.radio = radio
        self.responder = responder
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
        """Makes the wire; for a subclass that owns it."""

    def unplug(self) -> None:
        """Removes the wire; for a subclass that owns it."""

    def send(self, data: bytes) -> None:
        """Passes bytes to the other end of the wire; for a subclass that owns it."""

    def received(self, data: bytes) -> None:
        """Takes bytes that the other end puts on the line at this moment."""
        self._in_free_s = max(self._in_free_s, self.clock.monotonic_s())
        for byte in data:
            self._in_free_s += self._byte_s
            for message in self.responder.messages(bytes((byte,))):
                self._incoming.put_nowait((self._in_free_s, message))
        if self._echo:
            self._outgoing.put_nowait((self._in_free_s, data))

    def say(self, data: bytes) -> None:
        """Puts bytes of the radio on the line."""
        data = self.spoil(data) if data else b""
        if not data:
            return
        start_s = max(self._out_free_s, self.clock.monotonic_s())
        if self._echo:
            start_s = max(start_s, self._in_free_s)
        self._out_free_s = start_s + len(data) * self._byte_s
        self._outgoing.put_nowait((self._out_free_s, data))

    def power_cycle(self) -> None:
        """Switches the radio off and on without unplugging the line."""
        self.radio.power_up()
        self.responder.restart()

    async def run(self) -> None:
        """Serves until cancelled. Whenever the radio loses its connections the wire is unplugged
        until the radio can be reached again."""
        while True:
            connection = await self._connect()
            self.plug()
            try:
                await self._serve(connection)
            finally:
                self.unplug()
                connection.close()
            self.responder.restart()

    async def _connect(self) -> SimulatedConnection:
        while True:
            try:
                return await self.radio.connect()
            except RigUnreachable:
                await self.clock.sleep(RECONNECT_S)

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
                answer = await connection.ask(partial(self.responder.act, message))
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
