"""The interface of a clock, and the machine's clock.

Every reading of a clock and every wait goes through it: nothing else in moontrim calls `time.*`,
`datetime.now` or `asyncio.sleep` with a duration. There are two kinds of time: UTC (POSIX seconds,
for the Moon; it may step) and monotonic time (for deadlines; it never steps)."""

from __future__ import annotations

import asyncio
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager

from moontrim.clock.timeout import RunningTimeout


class Clock(ABC):
    """A source of time for the daemon and its drivers."""

    @abstractmethod
    def utc_s(self) -> float:
        """Returns POSIX seconds of UTC."""

    @abstractmethod
    def monotonic_s(self) -> float:
        """Returns seconds since an arbitrary start; never steps."""

    @abstractmethod
    def suspended_s(self) -> float:
        """Returns for how long the machine has been suspended since its start, in total; monotonic
        time stands still meanwhile."""

    @abstractmethod
    async def sleep(self, duration_s: float) -> None:
        """Waits; zero or less only lets other tasks run."""

    @abstractmethod
    def call_later(self, delay_s: float, callback: Callable[[], None]) -> Callable[[], None]:
        """Calls back after that many seconds. Returns a function that prevents it."""

    def timeout(self, duration_s: float) -> AbstractAsyncContextManager[object]:
        """Returns a context that raises TimeoutError when its body takes longer. Time in which this
        process did not run does not count, and what has arrived is read first."""
        return RunningTimeout(self, duration_s)

    async def sleep_until_utc(self, utc_s: float) -> None:
        """Waits for an instant of UTC. Reads the clock at least once a second, so that after a step
        it does not wait for an instant that has passed or is now far away."""
        while (remaining_s := utc_s - self.utc_s()) > 0.0:
            await self.sleep(min(remaining_s, 1.0))

    async def wait(self, event: asyncio.Event, duration_s: float) -> bool:
        """Waits for an event, at most that long. Returns whether it is set."""
        if event.is_set() or duration_s <= 0.0:
            await asyncio.sleep(0)
            return event.is_set()
        try:
            async with asyncio.timeout(duration_s):
                await event.wait()
        except TimeoutError:
            return False
        return True


class SystemClock(Clock):
    """The machine's clock."""

    def utc_s(self) -> float:
        return time.time()

    def monotonic_s(self) -> float:
        return time.monotonic()

    def suspended_s(self) -> float:
        return time.clock_gettime(time.CLOCK_BOOTTIME) - time.monotonic()

    async def sleep(self, duration_s: float) -> None:
        await asyncio.sleep(max(0.0, duration_s))

    def call_later(self, delay_s: float, callback: Callable[[], None]) -> Callable[[], None]:
        return asyncio.get_running_loop().call_later(delay_s, callback).cancel
