"""The pause that some versions of the rig-control daemon need in plain mode, where commands do not
name their VFO, between two sets, to put each into the right one."""

from __future__ import annotations

from moontrim_drivers.contract import DriverClock

PLAIN_PAUSE_S = 0.5


class PlainPause:
    """The pause of one connection."""

    def __init__(self, clock: DriverClock) -> None:
        self._clock = clock
        self._began_s = -float("inf")

    def begin(self) -> None:
        """Begins after a set."""
        self._began_s = self._clock.monotonic_s()

    async def end(self) -> None:
        """Waits until it is over."""
        wait_s = self._began_s + PLAIN_PAUSE_S - self._clock.monotonic_s()
        if wait_s > 0.0:
            await self._clock.sleep(wait_s)
