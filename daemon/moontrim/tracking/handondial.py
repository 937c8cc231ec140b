"""When a dial that someone turns is left alone: the daemon never fights the operator. Pure but for
the instants it is given (monotonic seconds).

    turned, restored | turned, restored | turned, restored | turned again within 10 s: left alone
                                                             for 10 s, then restored as before"""

from __future__ import annotations

from collections import deque

from moontrim.tracking.otherprogram import OtherProgram

# Chosen: an accidental knock is put right, three within 10 s are an intention; 10 s are enough to
# look for a signal and too short to forget that the correction waits.
MOST_RESTORES, WITHIN_S, IN_USE_S = 3, 10.0, 10.0


class TurnedDial:
    """The decision for a radio whose dial was turned: restore it, follow it, or leave it alone.

    other: whether it is no hand but another program."""

    def __init__(self) -> None:
        self.other = OtherProgram()
        self._not_followed = ""
        self._restored_at_s: deque[float] = deque(maxlen=MOST_RESTORES)
        self._in_use_until_s = 0.0

    @property
    def not_followed(self) -> str:
        """Why the dial could not be followed where it was turned to; empty if it could. Until it
        comes back, a command is given or the radio reconnects, it is left alone."""
        return self._not_followed

    def in_use(self, now_s: float) -> bool:
        """Returns whether the dial is left alone because it was turned again and again."""
        return now_s < self._in_use_until_s

    def may_restore(self, now_s: float) -> bool:
        """Returns whether to restore the dial once more. After the last time within WITHIN_S the
        answer is no, and the dial counts as in use for IN_USE_S."""
        times = self._restored_at_s
        if len(times) == MOST_RESTORES and now_s - times[0] < WITHIN_S:
            self._in_use_until_s = now_s + IN_USE_S
            self.other.dial_in_use(now_s)
            times.clear()
            return False
        times.append(now_s)
        return True

    def cannot_follow(self, reason: str) -> None:
        """Leaves the dial alone where it was turned to."""
        self._not_followed = reason

    def back(self) -> None:
        """Ends that: the dial was followed, or the radio has reconnected."""
        self._not_followed = ""

    def command(self) -> None:
        """Ends any leaving alone: the operator has given a command."""
        self._not_followed, self._in_use_until_s = "", 0.0
