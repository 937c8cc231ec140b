"""A clock on which nothing takes any time: a wait lets everybody else do what they can, and is
over."""

from __future__ import annotations

import asyncio
from contextlib import AbstractAsyncContextManager

from moontrim.clock import Clock

ROUNDS = 6  # of the event loop; more than any of our chains of callbacks needs


class Instant(Clock):
    """For targets, which may not wait."""

    def __init__(self) -> None:
        self.now_s = 1_795_000_000.0

    def utc_s(self) -> float:
        return self.now_s

    def monotonic_s(self) -> float:
        return self.now_s

    def suspended_s(self) -> float:
        return 0.0

    async def sleep(self, duration_s: float) -> None:
        for _ in range(ROUNDS):
            await asyncio.sleep(0)
        self.now_s += max(0.0, duration_s)

    def timeout(self, duration_s: float) -> AbstractAsyncContextManager[object]:
        return asyncio.timeout(None)
