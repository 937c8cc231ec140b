"""Time that passes at once: an event loop without sockets that jumps to the next timer when no task
can run.

It does a tenth of the work of asyncio's loop for a conversation of a few bytes, and is stricter: an
exception that no task retrieves, or a wait that nothing can end, is a defect."""

from __future__ import annotations

import asyncio
import contextlib
import contextvars
import heapq
import itertools
from collections import deque
from collections.abc import Callable, Coroutine, Iterator
from typing import Any, TypeVar, cast

from fuzz.target import hold
from moontrim.clock.system import Clock

T = TypeVar("T")

START_UTC_S = 1_795_000_000.0


class _Call:
    """A callback that is due, like a handle of asyncio."""

    __slots__ = ("args", "callback", "cancelled", "context")

    def __init__(
        self,
        callback: Callable[..., object],
        args: tuple[Any, ...],
        context: contextvars.Context | None,
    ) -> None:
        self.callback, self.args, self.context = callback, args, context
        self.cancelled = False

    def cancel(self) -> None:
        self.cancelled = True


class InstantLoop:
    """Runs callbacks in the order of their calls and timers in the order of their instants. It has
    the part of asyncio.AbstractEventLoop that tasks need."""

    def __init__(self) -> None:
        self._ready: deque[_Call] = deque()
        self._timers: list[tuple[float, int, _Call]] = []
        self._order = itertools.count()
        self._now_s = 0.0
        self.complaints: list[str] = []

    # --- what asyncio calls -----------------------------------------------------------------------

    def time(self) -> float:
        return self._now_s

    def get_debug(self) -> bool:
        return False

    def is_running(self) -> bool:
        return True

    def create_future(self) -> Any:
        return asyncio.Future(loop=cast(Any, self))

    def create_task(self, coro: Any, **options: Any) -> Any:
        return asyncio.Task(coro, loop=cast(Any, self), **options)

    def call_soon(self, callback: Any, *args: Any, context: Any = None) -> Any:
        call = _Call(callback, args, context)
        self._ready.append(call)
        return call

    def call_at(self, when: float, callback: Any, *args: Any, context: Any = None) -> Any:
        call = _Call(callback, args, context)
        heapq.heappush(self._timers, (when, next(self._order), call))
        return call

    def call_later(self, delay: float, callback: Any, *args: Any, context: Any = None) -> Any:
        return self.call_at(self._now_s + delay, callback, *args, context=context)

    def call_exception_handler(self, context: dict[str, Any]) -> None:
        self.complaints.append(f"{context.get('message')}: {context.get('exception')!r}")

    # --- what targets call ------------------------------------------------------------------------

    def step(self) -> bool:
        """Runs the callbacks that are due, but not those that they add. False if there are none."""
        ready = self._ready
        for _ in range(len(ready)):
            call = ready.popleft()
            if call.cancelled:
                continue
            try:
                if call.context is None:
                    call.callback(*call.args)
                else:
                    call.context.run(call.callback, *call.args)
            except Exception as error:
                self.complaints.append(f"{call.callback!r}: {error!r}")
        return bool(ready)

    def settle(self) -> None:
        """Runs callbacks until none is due at this instant."""
        while self.step():
            pass

    def pass_time(self, duration_s: float) -> None:
        """Lets time pass and runs all that becomes due meanwhile."""
        until_s = self._now_s + duration_s
        self.settle()
        while self._timers and self._timers[0][0] <= until_s:
            self._next_timer()
            self.settle()
        self._now_s = until_s

    @contextlib.contextmanager
    def entered(self) -> Iterator[None]:
        """Makes this the running loop inside the block. Raises DefectError at the end if anything
        failed."""
        asyncio._set_running_loop(cast(Any, self))
        try:
            yield
        except BaseException:
            with contextlib.suppress(BaseException):  # the first one counts
                for task in asyncio.all_tasks(cast(Any, self)):
                    task.cancel()
                self.settle()
            raise
        finally:
            asyncio._set_running_loop(None)
        hold(not self.complaints, "; ".join(self.complaints))

    def run(self, main: Coroutine[Any, Any, T]) -> T:
        """Runs `main` to its end, jumping from timer to timer. Raises DefectError if nothing can
        end a wait."""
        with self.entered():
            task: asyncio.Task[T] = self.create_task(main)
            self.settle()
            while not task.done():
                hold(self._timers, "something is waited for that cannot come")
                self._next_timer()
                self.settle()
        return task.result()

    def _next_timer(self) -> None:
        when_s, _, call = heapq.heappop(self._timers)
        if not call.cancelled:
            self._now_s = max(self._now_s, when_s)
            self._ready.append(call)


class Instant(Clock):
    """The clock of an InstantLoop."""

    def __init__(self) -> None:
        self.loop = InstantLoop()

    def utc_s(self) -> float:
        return START_UTC_S + self.loop.time()

    def monotonic_s(self) -> float:
        return self.loop.time()

    def suspended_s(self) -> float:
        return 0.0

    async def sleep(self, duration_s: float) -> None:
        await asyncio.sleep(max(0.0, duration_s))

    def call_later(self, delay_s: float, callback: Callable[[], None]) -> Callable[[], None]:
        return self.loop.call_later(delay_s, callback).cancel

    def run(self, main: Coroutine[Any, Any, T]) -> T:
        """Runs `main` on the loop. Raises DefectError if anything failed in it."""
        return self.loop.run(main)
