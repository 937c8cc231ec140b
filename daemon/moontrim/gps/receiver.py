"""Follows the receiver of the config: connects, delivers its fixes, reconnects when it is lost."""

from __future__ import annotations

import asyncio
import logging
import math
import random
from collections.abc import Callable

from moontrim.clock.system import Clock
from moontrim.clock.virtual import VirtualClock
from moontrim.config.gps import GpsSettings
from moontrim.gps.fix import Fix
from moontrim.gps.gpsd import follow_gpsd
from moontrim.gps.nmea import follow_nmea

log = logging.getLogger(__name__)

FIX_LOST_S = 5.0  # chosen: a receiver reports once a second
LOOK_S = 0.5
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 10.0  # chosen: between attempts, doubling


class GpsWatch:
    """Follows one receiver.

    report: called once with each fault (receiver lost, no fix); default: logs it.
    latest: the last fix. fixes: how many there have been. problem: why there is no receiver; empty
    while there is one, with a fix or not. no_fix: that a receiver has no fix; empty while it has
    one, and while there is no receiver."""

    def __init__(
        self,
        settings: GpsSettings,
        clock: Clock,
        report: Callable[[str], object] = lambda text: log.warning("%s", text),
    ) -> None:
        self.latest: Fix | None = None
        self.fixes = 0
        self.problem = ""
        self.no_fix = ""
        self._settings = settings
        self._clock = clock
        self._report = report
        self._latest_at_s = -math.inf

    def age_s(self) -> float:
        """Returns the age of the latest fix in seconds; infinite if there was none."""
        return self._clock.monotonic_s() - self._latest_at_s

    async def run(self, deliver: Callable[[Fix], object]) -> None:
        """Calls `deliver` with every fix until cancelled. Returns at once where no source is
        configured, and in a rehearsal, whose virtual time no receiver follows."""
        if self._settings.source == "none" or isinstance(self._clock, VirtualClock):
            return

        watching = asyncio.create_task(self._watch_fix(), name="GPS fix")
        try:
            await self._follow(deliver)
        finally:
            watching.cancel()
            await asyncio.wait([watching])

    async def _follow(self, deliver: Callable[[Fix], object]) -> None:
        """Connects to the receiver again and again."""

        def accept(fix: Fix) -> None:
            self._accept(fix)
            deliver(fix)

        follow = follow_gpsd if self._settings.source == "gpsd" else follow_nmea
        pause_s = FIRST_PAUSE_S
        while True:
            fixes = self.fixes
            try:
                why = await follow(self._settings, self._clock, accept)
            except ConnectionRefusedError:
                why = f"GPS: connection refused by {self._settings.host}:{self._settings.port}"
            except OSError as error:
                why = f"GPS: {error.strerror or error}"
            if self.fixes != fixes:
                pause_s = FIRST_PAUSE_S
            if not self.problem:
                self._report(why)
            elif why != self.problem:
                log.warning("%s", why)
            self.problem = why
            await self._clock.sleep(pause_s * random.uniform(0.75, 1.25))
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)

    async def _watch_fix(self) -> None:
        """Reports once that the receiver has no fix any more, and once that it has one again."""
        had_one_s = self._clock.monotonic_s()  # or there was no receiver to have one
        while True:
            await self._clock.sleep(LOOK_S)
            now_s = self._clock.monotonic_s()
            if self.problem or now_s - self._latest_at_s <= FIX_LOST_S:
                if self.no_fix and not self.problem:
                    log.info("GPS: fix again after %.0f s without", now_s - had_one_s)
                self.no_fix, had_one_s = "", now_s
            elif not self.no_fix and now_s - had_one_s > FIX_LOST_S:
                self.no_fix = "GPS: no fix; check that the antenna has a view of the sky"
                self._report(self.no_fix)

    def _accept(self, fix: Fix) -> None:
        if self.problem:
            log.info("the GPS receiver reports again")
        self.problem = ""
        self.latest, self._latest_at_s = fix, self._clock.monotonic_s()
        self.fixes += 1
