"""The sources of time of this machine, and which to believe. Owns the socket to chronyd."""

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

ANSWER_S = 0.5
LOOPBACK = "127.0.0.1"


def readers_for(clock: Clock, settings: ClockSettings, *others: Reader) -> tuple[Reader, ...]:
    """The best first, others last. A virtual clock is right by definition."""
    if isinstance(clock, VirtualClock):
        return (right_by_definition(),)

    async def timesyncd() -> ClockReading | None:
        return read_timesyncd(clock.utc_s(), settings.drift_ppm)

    return (partial(read_chrony, clock, settings.chrony_port), timesyncd, Kernel().read, *others)


def right_by_definition() -> Reader:
    """A source that is never wrong, and compares the clock whenever it is asked."""
    times = itertools.count()

    async def read() -> ClockReading | None:
        return ClockReading("virtual clock", True, 0.0, 0.0, "right by definition", next(times))

    return read


async def look(readers: Sequence[Reader]) -> list[ClockReading]:
    """Of every source there is, up to the first that is synchronised."""
    seen = []
    for read in readers:
        found = await read()
        if found is not None:
            seen.append(found)
            if found.synchronised:
                break
    return seen


def best_reading(seen: Sequence[ClockReading]) -> ClockReading | None:
    """Of the first that is synchronised; failing that, of the first there is. None: there is no
    source of time that can be read."""
    return next((one for one in seen if one.synchronised), seen[0] if seen else None)


async def read_chrony(clock: Clock, port: int) -> ClockReading | None:
    """None if no chronyd answers there."""
    try:
        tracking = await ask_chrony(clock, port)
    except ChronyGarbledError as error:
        return unsynchronised("chrony", f"its answer makes no sense: {error}")
    except (OSError, TimeoutError):
        return None
    return reading_of(tracking)


async def ask_chrony(clock: Clock, port: int) -> ChronyTracking:
    """Raises OSError (nobody there), TimeoutError, ChronyGarbledError."""
    sequence = secrets.randbits(32)
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[bytes] = loop.create_future()
    transport, _ = await loop.create_datagram_endpoint(
        lambda: _One(answer), remote_addr=(LOOPBACK, port)
    )
    try:
        transport.sendto(tracking_request(sequence))
        async with clock.timeout(ANSWER_S):
            return parse_tracking(await answer, sequence)
    finally:
        transport.close()


class _One(asyncio.DatagramProtocol):
    """The first datagram that comes, or why none does."""

    def __init__(self, answer: asyncio.Future[bytes]) -> None:
        self._answer = answer

    def datagram_received(self, data: bytes, addr: object) -> None:
        if not self._answer.done():
            self._answer.set_result(data)

    def error_received(self, exc: Exception) -> None:
        if not self._answer.done():
            self._answer.set_exception(exc)
