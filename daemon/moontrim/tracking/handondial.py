"""Never argue with a hand on the dial: when to leave a turned dial alone. Pure but for the instants
it is given (monotonic seconds)."""

from __future__ import annotations

from collections import deque

PUT_BACK_TIMES, WITHIN_S, YIELD_S = 3, 10.0, 10.0


class Hand:
    """away: why a dial that was turned could not be followed; it is then left alone until it comes
    back, someone gives a command, or the radio reconnects."""

    def __init__(self) -> None:
        self.away = ""
        self._put_back_at_s: deque[float] = deque(maxlen=PUT_BACK_TIMES)
        self._yield_until_s = 0.0

    def yielding(self, now_s: float) -> bool:
        """Is the dial left alone because it was turned again and again?"""
        return now_s < self._yield_until_s

    def may_put_back(self, now_s: float) -> bool:
        """Once more, or is it enough? From then on it is `yielding` for a while."""
        times = self._put_back_at_s
        if len(times) == PUT_BACK_TIMES and now_s - times[0] < WITHIN_S:
            self._yield_until_s = now_s + YIELD_S
            times.clear()
            return False
        times.append(now_s)
        return True

    def gone(self) -> None:
        """A command or a reconnection ends any leaving alone."""
        self.away, self._yield_until_s = "", 0.0
