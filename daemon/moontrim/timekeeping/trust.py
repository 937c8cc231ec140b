"""Whether the clock is trusted well enough to transmit. The sources are polled in the background;
the answer is always at hand.

Without a reading of a source there is no trust. A reading counts until its error bound, which grows
with the assumed drift, exceeds the limit. After a step or a suspension no reading counts until the
source has compared the clock again. Two readings show that by a change of `compared`, because
instants of UTC mean little across a step."""

from __future__ import annotations

import logging
import math
from collections.abc import Sequence

from moontrim.clock.system import Clock
from moontrim.config.clock import ClockSettings
from moontrim.timekeeping.clockjumps import ClockWatch
from moontrim.timekeeping.clockview import ClockView
from moontrim.timekeeping.reading import ClockReading, Reader
from moontrim.timekeeping.sources import best_reading, read_sources

log = logging.getLogger(__name__)

POLL_S = 16.0  # chosen: well below the shortest poll of a time daemon's servers
IN_DOUBT_S = 2.0  # chosen: so that transmitting becomes possible soon after the clock is right
WITNESS_S = 60.0  # chosen: for how long a contradiction counts


class ClockTrust:
    """Judges the clock by its sources.

    watch: for steps and suspensions; the tracker calls its `step_s`. readers: see `readers_for`.
    reading: the one in use; None: none yet, or withdrawn by its source."""

    def __init__(
        self,
        clock: Clock,
        watch: ClockWatch,
        settings: ClockSettings,
        readers: Sequence[Reader],
    ) -> None:
        self.reading: ClockReading | None = None
        self._clock = clock
        self._watch = watch
        self._settings = settings
        self._readers = readers
        self._read_at_s = -math.inf
        self._contradiction = ""
        self._contradicted_at_s = -math.inf
        self._logged_doubt = ""
        # The first reading after a disturbance: when that was, the source, its `compared`.
        self._after_disturbance: tuple[float, str, float] | None = None
        self._compared_at_s = -math.inf  # when `compared` was found to have changed

    async def run(self) -> None:
        """Polls until cancelled."""
        while True:
            await self.poll()
            self._watch.disturbed.clear()
            await self._clock.wait(self._watch.disturbed, IN_DOUBT_S if self.doubt() else POLL_S)

    async def poll(self) -> None:
        """Reads the sources once."""
        readings = await read_sources(self._readers)
        present = self.reading
        if present and any(
            one.source == present.source and not one.synchronised for one in readings
        ):
            self.reading = None  # its source withdraws it, whatever others report
        new = best_reading(readings)
        if new is not None and self._better(new):
            self.reading, self._read_at_s = new, self._clock.monotonic_s()
            self._compare(new)
        doubt = self.doubt()
        if doubt != self._logged_doubt:
            self._logged_doubt = doubt
            if doubt:
                log.warning("%s; receive only", doubt)
            else:
                log.info("clock accepted %s", _named(self.reading))

    def error_bound_s(self) -> float:
        """Returns by how much UTC may be wrong either way now; infinite if unknown."""
        if self.reading is None or self._watch.disturbed_at_s > self._compared_at_s:
            return math.inf
        idle_s = self._clock.monotonic_s() - self._read_at_s
        return self.reading.bound_s + idle_s * self._settings.drift_ppm / 1e6

    def cost_hz(self, rate_hz_per_s: float) -> float:
        """Returns what that error may cost at a Doppler rate; infinite if unknown."""
        return _cost_hz(self.error_bound_s(), rate_hz_per_s)

    def compare_with(self, ahead_low_s: float, ahead_high_s: float, who: str) -> None:
        """Compares the clock with another witness, `who`, by which it is ahead of true time by a
        value between these two (negative: behind). If the whole range lies beyond the allowed
        error, that is a contradiction, and a reason for doubt."""
        limit_s = self._settings.max_error_s
        if ahead_low_s > limit_s:
            self._contradiction = f"clock at least {ahead_low_s:.1f} s ahead of the {who}"
        elif ahead_high_s < -limit_s:
            self._contradiction = f"clock at least {-ahead_high_s:.1f} s behind the {who}"
        else:
            self._contradiction = ""
        self._contradicted_at_s = self._clock.monotonic_s()

    def doubt(self) -> str:
        """Returns why the clock is not trusted now; empty if it is."""
        return self._doubt(self.error_bound_s())

    def _doubt(self, bound_s: float) -> str:
        if disturbed := self._watch.doubt():
            return disturbed
        if self._contradiction and (
            self._clock.monotonic_s() - self._contradicted_at_s < WITNESS_S
        ):
            return self._contradiction
        reading = self.reading
        if reading is None or not reading.synchronised:
            return "" if self._settings.trust == "any" else _not_synchronised(reading)
        if self._watch.disturbed_at_s > self._compared_at_s:
            return f"{self._watch.last_event}; not compared by {reading.source} since"
        bound_ms = 1000.0 * bound_s
        # Written so that not-a-number forbids.
        if not bound_ms <= self._settings.max_error_ms:
            return (
                f"clock error up to {bound_ms:.0f} ms, limit {self._settings.max_error_ms:g} ms "
                f"({reading.source}, {reading.detail})"
            )
        return ""

    def view(self, rate_hz_per_s: float = math.nan) -> ClockView:
        """Returns the present view. rate_hz_per_s: the Doppler rate; not-a-number: not known."""
        bound_s = self.error_bound_s()
        cost_hz = bound_s * abs(rate_hz_per_s)
        reading = self.reading
        return ClockView(
            reading.source if reading else "",
            reading.detail if reading else "",
            1000.0 * bound_s if bound_s < math.inf else None,
            cost_hz if cost_hz < math.inf else None,
            self._doubt(bound_s),
        )

    def _better(self, new: ClockReading) -> bool:
        """Whether a reading replaces the present one: one of the same source always does, one of
        another source if its bound is not larger."""
        old = self.reading
        return old is None or new.source == old.source or new.bound_s <= self.error_bound_s()

    def _compare(self, new: ClockReading) -> None:
        """Notes whether the source has compared the clock since it was last disturbed."""
        disturbed_at_s = self._watch.disturbed_at_s
        if disturbed_at_s <= self._compared_at_s:
            return
        first = self._after_disturbance
        if first is None or first[:2] != (disturbed_at_s, new.source):
            self._after_disturbance = (disturbed_at_s, new.source, new.compared)
        elif first[2] != new.compared:
            self._compared_at_s = self._clock.monotonic_s()


def _cost_hz(bound_s: float, rate_hz_per_s: float) -> float:
    return bound_s if math.isinf(bound_s) else bound_s * abs(rate_hz_per_s)


def _not_synchronised(reading: ClockReading | None) -> str:
    source = f"{reading.source}: {reading.detail}" if reading else "no time source found"
    return f"clock not synchronised ({source})"


def _named(reading: ClockReading | None) -> str:
    if reading is None or not reading.synchronised:
        return 'without confirmation (clock.trust = "any")'
    return f"({reading.source}, {reading.detail})"
