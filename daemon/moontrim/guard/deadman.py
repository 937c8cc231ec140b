"""When an over has to end because the daemon did not run. Pure: instants in, reason out."""

from __future__ import annotations

import math

# Without a beat for so long the radio is unkeyed. Chosen: within 1 s in all, and longer than a
# process waits for a processor on a busy machine.
SILENCE_S = 0.5
# Of a silence in which the daemon waited for a processor so much is not counted: it is sound, only
# late. Chosen: with it the radio is still unkeyed within 1 s.
MOST_WAITED_S = 0.35
# Beyond the longest over, in which the daemon unkeys by itself. Chosen: longer than it takes to.
AFTER_LONGEST_S = 1.0


class DeadMan:
    """Watches one over from `arm` to `disarm`. Instants are seconds of one clock that never steps
    and goes on while the machine is suspended. waited_s: how long the daemon has waited for a
    processor since it was started."""

    def __init__(self) -> None:
        self.armed = False
        self._beat_s = self._waited_s = 0.0
        self._longest_s = self._end_s = math.inf

    def arm(self, now_s: float, waited_s: float, longest_s: float = math.inf) -> None:
        """Begins an over that may last so long."""
        self.armed = True
        self._beat_s, self._waited_s = now_s, waited_s
        self._longest_s = longest_s
        self._end_s = now_s + longest_s + AFTER_LONGEST_S

    def beat(self, now_s: float, waited_s: float) -> None:
        """Takes over that the daemon runs. After the guard has unkeyed this watches on: a daemon
        that runs again, and does not disarm soon, may have keyed once more."""
        if not self.armed:
            self.armed = True
            self._end_s = max(self._end_s, now_s + AFTER_LONGEST_S)
        self._beat_s, self._waited_s = now_s, waited_s

    def disarm(self) -> None:
        """Ends the watch: the radio is known to receive, or has been unkeyed."""
        self.armed = False

    def silent_s(self, now_s: float, waited_s: float) -> float:
        """Returns for how long the daemon might have sent a beat, and has not."""
        late_s = min(max(0.0, waited_s - self._waited_s), MOST_WAITED_S)
        return now_s - self._beat_s - late_s

    def reason(self, now_s: float, waited_s: float) -> str:
        """Returns why the radio must be unkeyed now; empty: it need not be."""
        if not self.armed:
            return ""
        if self.silent_s(now_s, waited_s) >= SILENCE_S:
            return f"moontrim did not run for {now_s - self._beat_s:.1f} s"
        if now_s >= self._end_s:
            return f"the over has passed its limit of {self._longest_s:g} s"
        return ""

    def wait_s(self, now_s: float, waited_s: float) -> float | None:
        """Returns the seconds until `reason` may change by itself; None: never."""
        if not self.armed:
            return None
        left_s = SILENCE_S - self.silent_s(now_s, waited_s)
        return max(0.0, min(left_s, self._end_s - now_s))
