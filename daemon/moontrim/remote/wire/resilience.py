"""What keeps a connection going: waits between attempts, detection of stalls, and tasks that end
together."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Coroutine
from typing import Any

from moontrim.clock.system import Clock

FIRST_S, LONGEST_S = 0.5, 15.0


class Backoff:
    """Twice as long each time up to a limit, with jitter, so that many who lost the same broker do
    not all come back at once."""

    def __init__(self) -> None:
        self._next_s = FIRST_S
        self._reason: str | None = None

    def next_s(self) -> float:
        wait_s = self._next_s * random.uniform(0.8, 1.2)
        self._next_s = min(LONGEST_S, self._next_s * 2.0)
        return min(LONGEST_S, wait_s)

    def news(self, reason: str) -> bool:
        """Is this another reason than last time? Then it is worth a line in the log."""
        before, self._reason = self._reason, reason
        return before != reason

    def reset(self) -> None:
        self._next_s, self._reason = FIRST_S, None


BEAT_S = 0.25
STALL_S = 1.0
STALE_FOR_S = 1.0  # so long is what is read then taken for having waited


class StallDetector:
    """`watch` beats; `age_s` says how long a message read now may have lain unread."""

    def __init__(self, real: Clock) -> None:
        self._real = real
        self._beat_s = real.monotonic_s()
        self._stood_s = 0.0
        self._until_s = 0.0

    async def watch(self) -> None:
        while True:
            self._look()
            await self._real.sleep(BEAT_S)

    def age_s(self) -> float:
        self._look()
        return self._stood_s if self._real.monotonic_s() < self._until_s else 0.0

    def _look(self) -> None:
        now_s = self._real.monotonic_s()
        stood_s = now_s - self._beat_s
        self._beat_s = now_s
        if stood_s > STALL_S:
            self._stood_s, self._until_s = stood_s, now_s + STALE_FOR_S


def end_if_cancelled() -> None:
    """Up to Python 3.11 `asyncio.wait_for`, which the client uses, swallows a cancellation that
    comes together with its result: after each call, look whether there was one."""
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError


async def until_one_fails(*parts: Coroutine[Any, Any, None]) -> None:
    """Run them side by side; the first failure ends all and is raised. Not a TaskGroup, because up
    to Python 3.11 that leaves the task counted as cancelled, see above."""
    tasks = [asyncio.create_task(part) for part in parts]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        results = await asyncio.gather(*tasks, return_exceptions=True)
    for result in results:
        if isinstance(result, Exception):
            raise result
