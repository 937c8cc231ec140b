"""Lowers the priority of a test that only computes, for the sake of those beside it that have
deadlines."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator


@contextlib.contextmanager
def politely() -> Iterator[None]:
    """Takes a tenth of the others' share of the processor inside the block. Only root may raise its
    priority again, so for other users nothing changes."""
    if os.geteuid() != 0:
        yield
        return
    before = os.getpriority(os.PRIO_PROCESS, 0)
    os.setpriority(os.PRIO_PROCESS, 0, min(19, before + 10))
    try:
        yield
    finally:
        with contextlib.suppress(PermissionError):
            os.setpriority(os.PRIO_PROCESS, 0, before)
