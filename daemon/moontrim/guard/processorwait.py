"""How long a process has waited for a processor: it was ready to run, and others did."""

from __future__ import annotations

import contextlib
from pathlib import Path

_PER_S = 1e9


def waited_for_processor_s(pid: int) -> float:
    """Returns the seconds that all threads of a process together have waited, as far as the kernel
    tells: second number of /proc/PID/task/TID/schedstat (Linux, Documentation/scheduler)."""
    waited_ns = 0
    with contextlib.suppress(OSError, ValueError, IndexError):
        for task in Path(f"/proc/{pid}/task").iterdir():
            with contextlib.suppress(OSError):  # the thread has ended
                waited_ns += int((task / "schedstat").read_text().split()[1])
    return waited_ns / _PER_S
