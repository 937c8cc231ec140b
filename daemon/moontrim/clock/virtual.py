"""A clock for rehearsals and tests, and the event loop that drives it.

asyncio asks its selector to wait only when no callback is ready. At that moment every task waits,
so the clock jumps to the earliest alarm and rings it. Alarms of one instant ring in the order in
which they were set, so that the same inputs give the same order of events."""

from __future__ import annotations

import asyncio
import heapq
import itertools
import math
import selectors
import time
from collections.abc import Callable, Coroutine
from typing import Any, Protocol, TypeVar

from moontrim.clock.system import Clock

T = TypeVar("T")

# [instant, a number that grows with each alarm, whom it wakes (None: it is stopped)]. A list, which
# is the cheapest thing that can be compared on a heap and changed.
_Alarm = list[Any]


class VirtualClock(Clock):
    """A clock that jumps to the next alarm once no task has anything left to do. It works only on
    the loop that `run` makes; sockets and real timers on that loop work in real time.

    pace: virtual seconds per real second; infinity (for tests): as fast as the machine can."""

    def __init__(self, start_utc_s: float, pace: float = math.inf) -> None:
        self._start_utc_s = start_utc_s
        self._now_s = 0.0
        self._suspended_s = 0.0
        self._pace = pace
        self._began_s: float | None = None  # real monotonic time at which virtual time 0 was
        self._order = itertools.count()
        self._heap: list[_Alarm] = []

    def utc_s(self) -> float:
        return self._start_utc_s + self._now_s

    def monotonic_s(self) -> float:
        return self._now_s

    def suspended_s(self) -> float:
        return self._suspended_s

    def suspend(self, for_s: float) -> None:
        """Advances UTC alone, as a suspension of the machine does."""
        self._suspended_s += for_s
        self._start_utc_s += for_s

    def stall(self, for_s: float) -> None:
        """Lets time pass without running anything, as when the process is stopped: every alarm of
        that time rings late."""
        self._now_s += for_s

    def step_utc(self, by_s: float) -> None:
        """Steps UTC, as setting the clock does. Monotonic time is not affected."""
        self._start_utc_s += by_s

    async def sleep(self, duration_s: float) -> None:
        if duration_s <= 0.0:
            await asyncio.sleep(0)
            return
        done: asyncio.Future[bool] = asyncio.Future(loop=self._loop)
        alarm = self._alarm(duration_s, done)
        try:
            await done
        finally:
            alarm[2] = None

    async def wait(self, event: asyncio.Event, duration_s: float) -> bool:
        """Waits as in the base class, at a third of its cost: one future among the event's waiters,
        which `Event.set` or an alarm resolves, instead of a task that is cancelled."""
        if event.is_set() or duration_s <= 0.0:
            await asyncio.sleep(0)
            return event.is_set()
        came: asyncio.Future[bool] = asyncio.Future(loop=self._loop)
        waiters = event._waiters
        waiters.append(came)
        alarm = self._alarm(duration_s, came)
        try:
            return await came
        finally:
            alarm[2] = None
            waiters.remove(came)

    def call_later(self, delay_s: float, callback: Callable[[], None]) -> Callable[[], None]:
        alarm = self._alarm(delay_s, _Call(callback))

        def cancel() -> None:
            alarm[2] = None

        return cancel

    def run(self, main: Coroutine[Any, Any, T]) -> T:
        """Runs a coroutine to its end on a new event loop that drives this clock."""
        with asyncio.Runner(loop_factory=self._start_loop) as runner:
            return runner.run(main)

    def _start_loop(self) -> asyncio.AbstractEventLoop:
        self._loop = self._new_loop()  # stored, since `get_running_loop` makes a system call
        return self._loop

    def _new_loop(self) -> asyncio.AbstractEventLoop:
        return asyncio.SelectorEventLoop(_IdleSelector(self))

    def _alarm(self, duration_s: float, sleeper: _Sleeper) -> _Alarm:
        """Sets an alarm that wakes the sleeper with False. Setting its third element to None
        stops it."""
        alarm: _Alarm = [self._now_s + duration_s, next(self._order), sleeper]
        heapq.heappush(self._heap, alarm)
        return alarm

    def real_wait_s(self) -> float | None:
        """Returns the real seconds until the next alarm is due at this pace; None: no alarm."""
        while self._heap and self._heap[0][2] is None:
            heapq.heappop(self._heap)
        if not self._heap:
            return None
        if math.isinf(self._pace):
            return 0.0
        if self._began_s is None:
            self._began_s = time.monotonic() - self._now_s / self._pace
        due_s: float = self._heap[0][0]
        return max(0.0, self._began_s + due_s / self._pace - time.monotonic())

    def advance(self) -> None:
        """Jumps to the earliest alarm and rings every alarm of that instant."""
        heap = self._heap
        now_s = self._now_s = max(self._now_s, heap[0][0])
        while heap and heap[0][0] <= now_s:
            sleeper = heapq.heappop(heap)[2]
            if sleeper is not None and not sleeper.done():
                sleeper.set_result(False)


class _Sleeper(Protocol):
    """What an alarm wakes: a future, or something with these methods."""

    def done(self) -> bool: ...
    def set_result(self, result: bool, /) -> None: ...


class _Call:
    """An alarm that calls back."""

    __slots__ = ("_callback",)

    def __init__(self, callback: Callable[[], None]) -> None:
        self._callback = callback

    def done(self) -> bool:
        return False

    def set_result(self, result: bool, /) -> None:
        self._callback()


class _IdleSelector(selectors.DefaultSelector):
    """The selector of the clock's loop: instead of waiting it advances the clock."""

    def __init__(self, clock: VirtualClock) -> None:
        super().__init__()
        self._clock = clock

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None or timeout > 0.0:
            wait_s = self._clock.real_wait_s()
            if wait_s is not None and wait_s <= 0.0:
                self._clock.advance()
                return super().select(0)
            if wait_s is not None:
                timeout = wait_s if timeout is None else min(timeout, wait_s)
        return super().select(timeout)
