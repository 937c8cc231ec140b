"""Noticing that this process stood still (stopped, or swapped out). What was sent to it meanwhile
lay in the socket, where no expiry counts, and would be taken for fresh."""

from __future__ import annotations

from moontrim.clock.system import Clock

EVERY_S = 0.25
NOTICED_S = 1.0
AFTERWARDS_S = 1.0  # so long is what is read then taken for having waited


class Stall:
    """`watch` beats; `age_s` says how long a message read now may have lain unread."""

    def __init__(self, real: Clock) -> None:
        self._real = real
        self._beat_s = real.monotonic_s()
        self._stood_s = 0.0
        self._until_s = 0.0

    async def watch(self) -> None:
        while True:
            self._look()
            await self._real.sleep(EVERY_S)

    def age_s(self) -> float:
        self._look()
        return self._stood_s if self._real.monotonic_s() < self._until_s else 0.0

    def _look(self) -> None:
        now_s = self._real.monotonic_s()
        stood_s = now_s - self._beat_s
        self._beat_s = now_s
        if stood_s > NOTICED_S:
            self._stood_s, self._until_s = stood_s, now_s + AFTERWARDS_S
