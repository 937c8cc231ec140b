"""Follows the receiver of the config: connects, delivers its fixes, reconnects when it is lost."""

from __future__ import annotations

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

FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 10.0  # chosen: between attempts, doubling


class GpsWatch:
    """Follows one receiver.

    latest: the last fix. fixes: how many there have been. problem: why there is no receiver; empty
    while there is one, with a fix or not."""

    def __init__(self, settings: GpsSettings, clock: Clock) -> None:
        self.latest: Fix | None = None
        self.fixes = 0
        self.problem = ""
        self._settings = settings
        self._clock = clock
        self._latest_at_s = -math.inf

    def age_s(self) -> float:
        """Returns the age of the latest fix in seconds; infinite if there was none."""
        return self._clock.monotonic_s() - self._latest_at_s

    async def run(self, deliver: Callable[[Fix], object]) -> None:
        """Calls `deliver` with every fix until cancelled. Returns at once where no source is
        configured, and in a rehearsal, whose virtual time no receiver follows."""
        if self._settings.source == "none" or isinstance(self._clock, VirtualClock):
            return

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
                why = f"GPS: nothing listens at {self._settings.host} port {self._settings.port}"
            except OSError as error:
                why = f"GPS: {error.strerror or error}"
            if self.fixes != fixes:
                pause_s = FIRST_PAUSE_S
            if why != self.problem:
                log.warning("%s", why)
            self.problem = why
            await self._clock.sleep(pause_s * random.uniform(0.75, 1.25))
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)

    def _accept(self, fix: Fix) -> None:
        if self.problem:
            log.info("the GPS receiver reports again")
        self.problem = ""
        self.latest, self._latest_at_s = fix, self._clock.monotonic_s()
        self.fixes += 1
