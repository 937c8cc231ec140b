"""A deadline that does not count the time in which this process did not run.

A process that was stopped, or had no processor, finds its timer due before it has read what arrived
meanwhile, and would blame the other side. The deadline is therefore watched in slices. A slice that
ends late moves the deadline by its lateness, and before the deadline is declared missed the event
loop polls its descriptors once more:

    |-----|-----|-----|~~~~~ stopped ~~~~~|-----|-----| poll | missed
                      ^ due               ^ ended: the deadline moves by as much
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager
from types import TracebackType
from typing import Protocol

SLICES = (
    16  # per deadline; chosen: a stall that no slice shows is shorter than 1/16 of the deadline
)
SHORTEST_SLICE_S = 0.01  # chosen: well above the resolution of timers of an event loop (1 ms)
LATE_S = 0.005  # chosen: a timer that rings later than this shows that the process did not run
# Passes of the event loop: one polls and reads, one wakes the task, one lets it leave the context;
# one more for a future in between.
PASSES = 4


class Timer(Protocol):
    """What the deadline is measured with; a `Clock` is one."""

    def monotonic_s(self) -> float:
        """Returns seconds of a clock that never steps."""
        ...

    def call_later(self, delay_s: float, callback: Callable[[], None]) -> Callable[[], None]:
        """Calls back after that many seconds. Returns a function that prevents it."""
        ...


class RunningTimeout(AbstractAsyncContextManager[object]):
    """A context that raises TimeoutError when its body takes longer than `limit_s` of the time in
    which this process ran. A body that is cancelled by others raises CancelledError, as ever."""

    __slots__ = (
        "_cancelling",
        "_deadline_s",
        "_due_s",
        "_entered",
        "_missed",
        "_second_slice",
        "_slice_s",
        "_stop",
        "_task",
        "_timer",
    )

    def __init__(self, timer: Timer, limit_s: float) -> None:
        self._timer = timer
        self._deadline_s = limit_s  # from the start; of the clock once entered
        self._slice_s = max(SHORTEST_SLICE_S, limit_s / SLICES)
        self._entered = self._missed = False
        self._second_slice = True  # one more whole slice may follow a late one

    async def __aenter__(self) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._task, self._cancelling = task, task.cancelling()
        self._entered = True
        now_s = self._timer.monotonic_s()
        self._deadline_s += now_s
        self._begin_slice(now_s)

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._entered = False
        self._stop()
        ours_alone = self._missed and self._task.uncancel() <= self._cancelling
        if ours_alone and kind is asyncio.CancelledError:
            raise TimeoutError from error

    def _begin_slice(self, now_s: float) -> None:
        duration_s = max(0.0, min(self._slice_s, self._deadline_s - now_s))
        self._due_s = now_s + duration_s
        self._stop = self._timer.call_later(duration_s, self._end_slice)

    def _end_slice(self) -> None:
        now_s = self._timer.monotonic_s()
        late_s = now_s - self._due_s
        if late_s > LATE_S:
            self._deadline_s += late_s
            if self._second_slice and self._deadline_s - now_s < self._slice_s:
                self._second_slice = False
                self._deadline_s = now_s + self._slice_s
        if now_s < self._deadline_s:
            self._begin_slice(now_s)
        else:
            self._pass(PASSES)

    def _pass(self, left: int) -> None:
        if not self._entered:
            return
        if left:
            asyncio.get_running_loop().call_soon(self._pass, left - 1)
        else:
            self._missed = True
            self._task.cancel()
