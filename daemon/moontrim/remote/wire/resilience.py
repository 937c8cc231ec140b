"""What keeps a connection going: waits between attempts, detection of stalls, and tasks that end
together."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Awaitable, Callable, Coroutine
from typing import Any

from moontrim.clock.system import Clock

FIRST_S, LONGEST_S = 0.5, 15.0  # chosen: of the waits between attempts
BEAT_S = 0.25  # chosen: between looks at the clock
STALL_S = 1.0  # chosen: a longer time between looks is a stall; a busy machine causes shorter ones
# Chosen: a broker that hangs is noticed within 2.5 s, one that only turns in a circle within 15 s.
QUESTION_EVERY_S, QUESTION_S, SILENT, SILENT_BUSY = 0.4, 0.8, 2, 12
STALE_FOR_S = 1.0  # chosen: after a stall, messages read within this time may have waited


class Backoff:
    """The waits between attempts, each twice as long as the one before up to a limit. Jitter keeps
    clients that lost the same broker from all coming back at once."""

    def __init__(self) -> None:
        self._next_s = FIRST_S
        self._reason: str | None = None

    def next_s(self) -> float:
        """Returns the next wait in seconds."""
        wait_s = self._next_s * random.uniform(0.8, 1.2)
        self._next_s = min(LONGEST_S, self._next_s * 2.0)
        return min(LONGEST_S, wait_s)

    def news(self, reason: str) -> bool:
        """Is this another reason than last time? Then it is worth a line in the log."""
        before, self._reason = self._reason, reason
        return before != reason

    def reset(self) -> None:
        """Starts again with the shortest wait."""
        self._next_s, self._reason = FIRST_S, None


class StallDetector:
    """Notices that this process stood still (stopped, or swapped out). Messages that arrived
    meanwhile waited in the socket, where no expiry counts, and would be taken for fresh."""

    def __init__(self, real: Clock) -> None:
        self._real = real
        self._beat_s = real.monotonic_s()
        self._stall_s = 0.0  # the length of the last stall
        self._until_s = 0.0  # messages read before this instant may be from it

    async def watch(self) -> None:
        """Looks at the clock until cancelled."""
        while True:
            self._look()
            await self._real.sleep(BEAT_S)

    def age_s(self) -> float:
        """Returns for how many seconds a message read now may have waited."""
        self._look()
        return self._stall_s if self._real.monotonic_s() < self._until_s else 0.0

    def _look(self) -> None:
        now_s = self._real.monotonic_s()
        elapsed_s = now_s - self._beat_s
        self._beat_s = now_s
        if elapsed_s > STALL_S:
            self._stall_s, self._until_s = elapsed_s, now_s + STALE_FOR_S


class SilenceJudge:
    """Decides when a broker that does not answer is to be replaced: after SILENT silences in a row
    if it did nothing since the last one, after SILENT_BUSY if it did. On a machine whose processors
    are all taken, or amid a flood, a healthy broker may be silent for seconds.

    has_run: tells whether the broker ran or waited for a processor since it was last called."""

    def __init__(self, has_run: Callable[[], bool]) -> None:
        self._has_run = has_run
        self._silences = 0

    def answered(self) -> None:
        """Starts the count again."""
        self._silences = 0

    def is_hung(self) -> bool:
        """Counts one more silence; returns whether the broker is to be replaced."""
        self._silences += 1
        return self._silences >= (SILENT_BUSY if self._has_run() else SILENT)


async def watch_answers(
    question: Callable[[], Awaitable[object]],
    real: Clock,
    stall: StallDetector,
    judge: SilenceJudge,
) -> None:
    """Asks again and again; returns when the judge calls the broker hung. A question during which
    this process itself stood still does not count."""
    while True:
        await real.sleep(QUESTION_EVERY_S)
        try:
            async with real.timeout(QUESTION_S):
                await question()
                judge.answered()
        except TimeoutError:
            if stall.age_s() == 0.0 and judge.is_hung():
                return
        end_if_cancelled()


def end_if_cancelled() -> None:
    """Raises CancelledError if this task is being cancelled. To be called after each call of the
    MQTT client: up to Python 3.11 `asyncio.wait_for`, which that uses, swallows a cancellation that
    comes together with its result."""
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError


async def until_one_fails(*parts: Coroutine[Any, Any, None]) -> None:
    """Runs the parts side by side until one ends, cancels the others and raises its error. Not a
    TaskGroup: up to Python 3.11 that leaves the task counted as cancelled (see above)."""
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
