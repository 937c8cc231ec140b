"""The sources of time of this machine, and their best reading. Owns the socket to chronyd."""

from __future__ import annotations

import asyncio
import itertools
import secrets
from collections.abc import Sequence
from functools import partial

from moontrim.clock.system import Clock
from moontrim.clock.virtual import VirtualClock
from moontrim.config.clock import ClockSettings
from moontrim.timekeeping.adjtimex import Kernel
from moontrim.timekeeping.chrony import (
    ChronyGarbledError,
    ChronyTracking,
    parse_tracking,
    reading_of,
    tracking_request,
)
from moontrim.timekeeping.reading import ClockReading, Reader, unsynchronised
from moontrim.timekeeping.timesyncd import read_timesyncd

ANSWER_S = 0.5  # chosen: chronyd answers on the loopback within a millisecond
LOOPBACK = "127.0.0.1"


def readers_for(clock: Clock, settings: ClockSettings, *others: Reader) -> tuple[Reader, ...]:
    """Returns the sources for a clock, the best first, `others` last. A virtual clock is right by
    definition."""
    if isinstance(clock, VirtualClock):
        return (right_by_definition(),)

    async def timesyncd() -> ClockReading | None:
        return read_timesyncd(clock.utc_s(), settings.drift_ppm)

    return (partial(read_chrony, clock, settings.chrony_port), timesyncd, Kernel().read, *others)


def right_by_definition() -> Reader:
    """Returns a source that is never wrong and compares the clock at each reading."""
    times = itertools.count()

    async def read() -> ClockReading | None:
        return ClockReading("virtual clock", True, 0.0, 0.0, "exact by definition", next(times))

    return read


async def read_sources(readers: Sequence[Reader]) -> list[ClockReading]:
    """Reads the sources in order, up to the first that is synchronised. Returns the readings."""
    readings = []
    for read in readers:
        reading = await read()
        if reading is not None:
            readings.append(reading)
            if reading.synchronised:
                break
    return readings


def best_reading(readings: Sequence[ClockReading]) -> ClockReading | None:
    """Returns the first reading that is synchronised, else the first one; None if there is none."""
    return next((one for one in readings if one.synchronised), readings[0] if readings else None)


async def read_chrony(clock: Clock, port: int) -> ClockReading | None:
    """Returns chronyd's reading; None if no chronyd answers at that port."""
    try:
        tracking = await ask_chrony(clock, port)
    except ChronyGarbledError as error:
        return unsynchronised("chrony", f"invalid reply: {error}")
    except (OSError, TimeoutError):
        return None
    return reading_of(tracking)


async def ask_chrony(clock: Clock, port: int) -> ChronyTracking:
    """Asks chronyd once. Raises OSError (nothing listens), TimeoutError, ChronyGarbledError."""
    sequence = secrets.randbits(32)
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[bytes] = loop.create_future()
    transport, _ = await loop.create_datagram_endpoint(
        lambda: _FirstDatagram(answer), remote_addr=(LOOPBACK, port)
    )
    try:
        transport.sendto(tracking_request(sequence))
        async with clock.timeout(ANSWER_S):
            return parse_tracking(await answer, sequence)
    finally:
        transport.close()


class _FirstDatagram(asyncio.DatagramProtocol):
    """Sets the future to the first datagram that comes, or to the error."""

    def __init__(self, answer: asyncio.Future[bytes]) -> None:
        self._answer = answer

    def datagram_received(self, data: bytes, addr: object) -> None:
        if not self._answer.done():
            self._answer.set_result(data)

    def error_received(self, exc: Exception) -> None:
        if not self._answer.done():
            self._answer.set_exception(exc)
