"""Times without those in which the machine ran something else: what is measured is the program's
own."""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path


def waited_for_processor_s(pid: int) -> float:
    """By the main thread of a process, ready to run and not running; second number of schedstat,
    proc_pid_schedstat in the kernel's scheduler documentation."""
    return _waited_s(Path(f"/proc/{pid}/schedstat"))


def all_waited_for_processor_s(pid: int) -> float:
    """By all threads of a process that it has now."""
    return sum(_waited_s(task / "schedstat") for task in Path(f"/proc/{pid}/task").iterdir())


def unloaded_s() -> float:
    """Monotonic, and stands still while this thread is ready to run and another one runs."""
    return time.monotonic() - _waited_s(Path("/proc/thread-self/schedstat"))


def family_waited_for_processor_s() -> float:
    """By this process and those that it started, and so on, as many as live now."""
    processes, pids = [os.getpid()], [os.getpid()]
    while pids:
        children = []
        for tasks in Path(f"/proc/{pids.pop()}/task").glob("*/children"):
            with suppress(OSError):  # it has ended
                children += [int(pid) for pid in tasks.read_text().split()]
        processes += children
        pids += children
    waited_s = 0.0
    for pid in processes:
        with suppress(OSError):
            waited_s += all_waited_for_processor_s(pid)
    return waited_s


@asynccontextmanager
async def within(limit_s: float) -> AsyncIterator[None]:
    """As asyncio.timeout, but for what this process and those that it started waited for a
    processor meanwhile: that is the machine's doing."""
    loop = asyncio.get_running_loop()
    before_s, due_s = family_waited_for_processor_s(), loop.time() + limit_s

    def check() -> None:
        nonlocal handle
        late_s = due_s + max(0.0, family_waited_for_processor_s() - before_s)
        if late_s > loop.time():
            handle = loop.call_at(late_s, check)
        else:
            timeout.reschedule(loop.time())

    handle = loop.call_at(due_s, check)
    try:
        async with asyncio.timeout(None) as timeout:
            yield
    finally:
        handle.cancel()


def _waited_s(file: Path) -> float:
    return int(file.read_text().split()[1]) / 1e9


def until_state(pid: int, state: str) -> None:
    """Waits until a process is in a state of proc_pid_stat(5)."""
    while Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != state:
        os.sched_yield()
