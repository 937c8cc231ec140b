"""Time apart from what the machine gave to others: what is measured then is the program's own."""

from __future__ import annotations

import time
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


def _waited_s(file: Path) -> float:
    return int(file.read_text().split()[1]) / 1e9
