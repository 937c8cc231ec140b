"""A test that only computes makes way for those beside it that have deadlines to meet."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator


@contextlib.contextmanager
def politely() -> Iterator[None]:
    """At a tenth of the others' share of the processor, if there are any. Only root may take its
    share back afterwards, so for anybody else nothing changes."""
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
