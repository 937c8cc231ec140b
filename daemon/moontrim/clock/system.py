"""The interface of a clock, and the machine's own.

Every reading of a clock and every wait goes through it: nothing else in moontrim calls `time.*`,
`datetime.now` or `asyncio.sleep` with a duration. Two kinds of time are kept apart: UTC (POSIX
seconds, for the Moon; it may step) and monotonic (for deadlines; it never does)."""

from __future__ import annotations

import asyncio
import time
from abc import ABC, abstractmethod
from contextlib import AbstractAsyncContextManager


class Clock(ABC):
    """What the daemon and its drivers know of time."""

    @abstractmethod
    def utc_s(self) -> float:
        """POSIX seconds of UTC."""

    @abstractmethod
    def monotonic_s(self) -> float:
        """Seconds since an arbitrary start; never steps."""

    @abstractmethod
    def suspended_s(self) -> float:
        """For how long the machine has been suspended since it was started, all told: monotonic
        time stands still meanwhile."""

    @abstractmethod
    async def sleep(self, duration_s: float) -> None:
        """Wait; zero or less only lets other tasks run."""

    @abstractmethod
    def timeout(self, duration_s: float) -> AbstractAsyncContextManager[object]:
        """`async with clock.timeout(1.0):` raises TimeoutError when the body takes longer."""

    async def sleep_until_utc(self, utc_s: float) -> None:
        """Wait for an instant of UTC, looking at the clock again at least once a second: a step of
        the clock must not leave us waiting for an instant that has passed or moved far away."""
        while (remaining_s := utc_s - self.utc_s()) > 0.0:
            await self.sleep(min(remaining_s, 1.0))

    async def wait(self, event: asyncio.Event, duration_s: float) -> bool:
        """Wait for the event, at most that long; True if it came."""
        if event.is_set() or duration_s <= 0.0:
            await asyncio.sleep(0)
            return event.is_set()
        try:
            async with self.timeout(duration_s):
                await event.wait()
        except TimeoutError:
            return False
        return True


class SystemClock(Clock):
    """The machine's own clocks."""

    def utc_s(self) -> float:
        return time.time()

    def monotonic_s(self) -> float:
        return time.monotonic()

    def suspended_s(self) -> float:
        return time.clock_gettime(time.CLOCK_BOOTTIME) - time.monotonic()

    async def sleep(self, duration_s: float) -> None:
        await asyncio.sleep(max(0.0, duration_s))

    def timeout(self, duration_s: float) -> AbstractAsyncContextManager[object]:
        return asyncio.timeout(duration_s)
