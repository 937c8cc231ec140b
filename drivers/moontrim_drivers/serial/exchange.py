"""Question and answer on a serial port: one exchange at a time, each with a deadline.

Owns the wire. After any error but a refusal, and after cancellation, it closes the wire, because a
late answer would be taken for the answer to the next question. It knows no bus: an `Exchange` knows
what to send and which answer is due.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Protocol

from moontrim_drivers.contract import (
    DriverClock,
    RigClosed,
    RigError,
    RigGarbled,
    RigRefused,
    RigTimeout,
)
from moontrim_drivers.serial import ports as serialports
from moontrim_drivers.serial.options import SerialOptions
from moontrim_drivers.serial.portchoice import choose
from moontrim_drivers.serial.wire import OnLost, Received, SerialWire, Wire

OpenWire = Callable[[SerialOptions, Received, OnLost], Wire]
"""Opens the wire that the options describe, with the callbacks for bytes and for its loss."""


def locate(port: str) -> str:
    """Returns the present path of a port named as in the config. Raises RigUnreachable."""
    return choose(port, serialports.attached() if port[:1] != "/" else ())


def open_wire(options: SerialOptions, received: Received, lost: OnLost) -> Wire:
    """Opens the serial port that the options name. Raises RigError."""
    return SerialWire(locate(options.port), options.line(), received, lost)


class Exchange(Protocol):
    """A message to send and the answer that is due.

    sent: the bytes to send. due_bytes: the expected length of the answer, for the deadline.
    finished: the answer is complete."""

    sent: bytes
    due_bytes: int
    finished: bool

    @property
    def noise(self) -> bytes:
        """Bytes that came and belong to no message of the bus."""
        ...

    def feed(self, data: bytes) -> None:
        """Takes bytes in pieces of any size. Raises RigError for a refusal or a wrong answer."""
        ...


def shown(data: bytes) -> str:
    """Returns the first bytes as printable text for a message."""
    return data[:24].hex(" ") + (" ..." if len(data) > 24 else "")


class Conversation:
    """The exchanges with one radio. `open_wire` may be replaced, for a wire that is no serial
    port."""

    def __init__(self, options: SerialOptions, clock: DriverClock) -> None:
        self.open_wire: OpenWire = open_wire
        self._options = options
        self._clock = clock
        self._wire: Wire | None = None
        self._exchange: Exchange | None = None
        self._done: asyncio.Future[None] | None = None
        self._lost: RigError | None = None

    @property
    def is_open(self) -> bool:
        """Whether the wire is open."""
        return self._wire is not None

    @property
    def descriptor(self) -> int | None:
        """The file descriptor of the open wire; None where there is none."""
        return None if self._wire is None else self._wire.descriptor

    def open(self) -> None:
        """Opens the wire anew. Raises RigUnreachable, RigNotSuitable."""
        self.close()
        self._lost = None
        self._wire = self.open_wire(self._options, self._received, self._ended)

    def close(self) -> None:
        """Closes the wire; harmless when closed."""
        if self._wire is not None:
            self._wire.close()
            self._wire = None

    def garbled(self, why: object) -> RigGarbled:
        """Closes the wire, since later bytes on it cannot be trusted, and returns the error to
        raise."""
        self.close()
        return RigGarbled(f"{self._options.port}: {why}")

    async def ask(self, exchange: Exchange) -> None:
        """Sends, and waits until the exchange is finished. Raises RigError; only RigRefused leaves
        the wire open."""
        if self._wire is None:
            raise self._lost or RigClosed("not open")
        assert self._done is None, "one exchange at a time"
        on_the_wire_s = (len(exchange.sent) + exchange.due_bytes) * self._options.line().byte_s
        self._exchange, self._done = exchange, asyncio.get_running_loop().create_future()
        limit_s = self._options.answer_s + on_the_wire_s
        try:
            async with self._clock.timeout(limit_s):
                self._wire.write(exchange.sent)
                await self._done
        except RigRefused:
            raise
        except TimeoutError:
            self.close()
            raise self._unanswered(exchange, limit_s) from None
        except BaseException:  # cancelled, too
            self.close()
            raise
        finally:
            if not self._done.cancelled() and self._done.done():
                self._done.exception()  # retrieved, even if cancelled at the same moment
            self._exchange = self._done = None

    def _unanswered(self, exchange: Exchange, limit_s: float) -> RigError:
        within = f"within {1000 * limit_s:.0f} ms"
        if not exchange.noise:
            return RigTimeout(f"{self._options.port}: the radio did not answer {within}")
        return RigGarbled(
            f"{self._options.port}: {shown(exchange.noise)} came, but no answer {within}; "
            f"is it {self._options.baud} baud?"
        )

    async def pause(self, duration_s: float) -> None:
        """Pauses between two exchanges; closes the wire if cancelled."""
        try:
            await self._clock.sleep(duration_s)
        except BaseException:
            self.close()
            raise

    def _received(self, data: bytes) -> None:
        exchange, done = self._exchange, self._done
        if exchange is None or done is None or done.done():
            return  # unsolicited: a knob was turned, or another program asked
        try:
            exchange.feed(data)
        except Exception as error:
            done.set_exception(error)
        else:
            if exchange.finished:
                done.set_result(None)

    def _ended(self, error: RigError) -> None:
        self._lost = error
        self._wire = None
        if self._done is not None and not self._done.done():
            self._done.set_exception(error)
