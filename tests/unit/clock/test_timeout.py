"""A deadline counts only the time in which the process ran, and reads what has arrived first."""

from __future__ import annotations

import asyncio
import os
import selectors
import threading
import time

import pytest

from moontrim.clock.system import SystemClock
from moontrim.clock.virtual import VirtualClock

T0 = 1_795_000_000.0


def test_without_a_stall_it_is_missed_on_time() -> None:
    clock = VirtualClock(T0)

    async def main() -> None:
        for limit_s in (0.003, 0.26, 0.8, 7.0):
            began_s = clock.monotonic_s()
            with pytest.raises(TimeoutError):
                async with clock.timeout(limit_s):
                    await clock.sleep(60.0)
            assert clock.monotonic_s() - began_s == pytest.approx(limit_s, abs=1e-9)

    clock.run(main())


@pytest.mark.parametrize("stalled_s", [0.02, 0.35, 3.0])
@pytest.mark.parametrize("at_s", [0.001, 0.1, 0.2599])
def test_a_stall_is_not_counted(stalled_s: float, at_s: float) -> None:
    """The body needs 0.24 of 0.26 s, and the process does not run in between."""
    clock = VirtualClock(T0)

    async def stop() -> None:
        await clock.sleep(at_s)
        clock.stall(stalled_s)

    async def body() -> None:
        for _ in range(24):  # each begins when the one before has ended: all of it comes later
            await clock.sleep(0.01)

    async def main() -> None:
        stopping = asyncio.create_task(stop())
        async with clock.timeout(0.26):
            await body()
        await stopping

    clock.run(main())


def test_a_body_that_never_ends_is_given_up_all_the_same() -> None:
    """Missed later by the stall and one slice, no more; however often the process is stopped, what
    it ran counts."""
    clock = VirtualClock(T0)
    ended = asyncio.Event()
    stalled_s = 0.0

    async def stop() -> None:
        nonlocal stalled_s
        while not ended.is_set():
            await clock.sleep(0.03)
            clock.stall(0.35)
            stalled_s += 0.35

    async def main() -> None:
        stopping = asyncio.create_task(stop())
        began_s = clock.monotonic_s()
        with pytest.raises(TimeoutError):
            async with clock.timeout(0.26):
                await asyncio.Event().wait()
        ended.set()
        ran_s = clock.monotonic_s() - began_s - stalled_s
        assert 0.1 < ran_s < 0.26 + 2 * 0.26 / 16
        await stopping

    clock.run(main())


def test_cancelled_by_others_it_is_no_time_out() -> None:
    clock = VirtualClock(T0)

    async def wait() -> None:
        async with clock.timeout(1.0):
            await asyncio.Event().wait()

    async def main() -> None:
        task = asyncio.create_task(wait())
        await clock.sleep(0.5)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        await clock.sleep(2.0)  # the deadline does nothing any more

    clock.run(main())


class _Interrupted(selectors.DefaultSelector):
    """After a wait it reports nothing once, as a poll does that a stop of the process interrupted
    beyond its end."""

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(timeout)
        return [] if timeout is None or timeout > 0.0 else ready


def test_what_has_arrived_is_read_before_it_is_missed() -> None:
    clock = SystemClock()
    ours, theirs = os.pipe()

    async def main() -> bytes:
        loop = asyncio.get_running_loop()
        came: asyncio.Future[bytes] = loop.create_future()
        loop.add_reader(ours, lambda: came.set_result(os.read(ours, 10)))
        try:
            async with clock.timeout(0.05):
                threading.Timer(0.02, os.write, (theirs, b"answer")).start()
                loop.call_soon(time.sleep, 0.1)  # the process does not run
                return await came
        finally:
            loop.remove_reader(ours)

    with asyncio.Runner(loop_factory=lambda: asyncio.SelectorEventLoop(_Interrupted())) as runner:
        assert runner.run(main()) == b"answer"
    os.close(ours)
    os.close(theirs)


def test_stopped_again_and_again_the_real_clock_counts_what_ran() -> None:
    clock = SystemClock()
    blocked_s = 0.0

    async def block() -> None:
        nonlocal blocked_s
        while True:
            await asyncio.sleep(0.05)
            time.sleep(0.1)
            blocked_s += 0.1

    async def main() -> None:
        blocking = asyncio.create_task(block())
        began_s = clock.monotonic_s()
        with pytest.raises(TimeoutError):
            async with clock.timeout(0.3):
                await asyncio.Event().wait()
        took_s = clock.monotonic_s() - began_s
        blocking.cancel()
        assert took_s > 0.3 + 0.5 * blocked_s
        assert blocked_s > 0.25

    asyncio.run(main())
