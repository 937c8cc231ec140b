"""Question and answer on a serial port: one exchange at a time, each within its time.

Owns the wire, and the rule that after any error but a refusal, and after cancellation, it is
closed: a late answer would be taken for that to the next question. It knows no bus; what is due is
held in an Exchange.
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


def locate(port: str) -> str:
    """The path of the port that is meant at this moment. Raises RigUnreachable."""
    return choose(port, serialports.attached() if port[:1] != "/" else ())


def open_wire(options: SerialOptions, received: Received, lost: OnLost) -> Wire:
    """The port that the options mean at this moment, opened. Raises RigError."""
    return SerialWire(locate(options.port), options.line(), received, lost)


class Exchange(Protocol):
    """One thing sent, and what is due for it."""

    sent: bytes
    due_bytes: int
    finished: bool

    @property
    def noise(self) -> bytes:
        """Bytes that came and meant nothing."""
        ...

    def feed(self, data: bytes) -> None:
        """Take bytes in any pieces. Raises RigError at the first that cannot be."""
        ...


def shown(data: bytes) -> str:
    """Some bytes for a message, short and harmless."""
    return data[:24].hex(" ") + (" ..." if len(data) > 24 else "")


class Talk:
    """The talk with one radio. `open_wire` may be replaced, for a wire that is no serial port."""

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
        return self._wire is not None

    def open(self) -> None:
        """Raises RigUnreachable, RigUnfit."""
        self.close()
        self._lost = None
        self._wire = self.open_wire(self._options, self._received, self._ended)

    def close(self) -> None:
        """Harmless when closed."""
        if self._wire is not None:
            self._wire.close()
            self._wire = None

    def garbled(self, why: object) -> RigGarbled:
        """The error to raise; what comes now on this wire cannot be trusted, so it is closed."""
        self.close()
        return RigGarbled(f"{self._options.port}: {why}")

    async def ask(self, exchange: Exchange) -> None:
        """Send and wait until it is finished. RigRefused leaves the wire as it is."""
        if self._wire is None:
            raise self._lost or RigClosed("not open")
        assert self._done is None, "one exchange at a time"
        on_the_wire_s = (len(exchange.sent) + exchange.due_bytes) * self._options.line().byte_s
        loop = asyncio.get_running_loop()
        self._exchange, self._done = exchange, loop.create_future()
        limit_s = self._options.answer_s + on_the_wire_s
        watch = loop.create_task(self._give_up(exchange, self._done, limit_s))
        try:
            self._wire.write(exchange.sent)
            await self._done
        except RigRefused:
            raise
        except BaseException:  # cancelled, too
            self.close()
            raise
        finally:
            watch.cancel()
            if not self._done.cancelled() and self._done.done():
                self._done.exception()  # seen, even if cancelled at the same moment
            self._exchange = self._done = None

    async def _give_up(
        self, exchange: Exchange, done: asyncio.Future[None], limit_s: float
    ) -> None:
        await self._clock.sleep(limit_s)
        if done.done():
            return
        within = f"within {1000 * limit_s:.0f} ms"
        if exchange.noise:
            done.set_exception(
                RigGarbled(
                    f"{self._options.port}: {shown(exchange.noise)} came, but no answer {within}; "
                    f"is it {self._options.baud} baud?"
                )
            )
        else:
            done.set_exception(
                RigTimeout(f"{self._options.port}: the radio did not answer {within}")
            )

    async def pause(self, duration_s: float) -> None:
        """A pause of our own accord, between two exchanges."""
        try:
            await self._clock.sleep(duration_s)
        except BaseException:
            self.close()
            raise

    def _received(self, data: bytes) -> None:
        exchange, done = self._exchange, self._done
        if exchange is None or done is None or done.done():
            return  # said unasked: a knob was turned, or another program asked
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
