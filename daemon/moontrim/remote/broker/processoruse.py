"""How much a process has run: a broker that works is not hung, however late it answers."""

from __future__ import annotations

from pathlib import Path


def processor_use(pid: int) -> tuple[int, bool]:
    """Returns for how many nanoseconds the main thread of a process has run, and whether it runs or
    waits for a processor now: /proc/PID/schedstat (Linux, scheduler/sched-stats) and the state in
    /proc/PID/stat (proc(5)). (0, False) where the kernel does not tell."""
    try:
        ran_ns = int(Path(f"/proc/{pid}/schedstat").read_text().split()[0])
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (OSError, IndexError, ValueError):
        return 0, False
    return ran_ns, state == "R"
