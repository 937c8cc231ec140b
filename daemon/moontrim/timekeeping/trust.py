"""May the clock be believed well enough to transmit? Polled in the background; never waits for
anything when asked.

Without a look at a source there is no trust. A look counts until the bound has grown past the
limit. After a step or a suspension none counts until the source is seen to have compared the clock
again: that it did so is told by two looks, as instants of UTC mean little across a step."""

from __future__ import annotations

import logging
import math
from collections.abc import Sequence

from moontrim.clock.system import Clock
from moontrim.config.clock import ClockSettings
from moontrim.timekeeping.clockjumps import ClockWatch
from moontrim.timekeeping.clockview import ClockView
from moontrim.timekeeping.reading import ClockReading, Reader
from moontrim.timekeeping.sources import best_reading, look

log = logging.getLogger(__name__)

POLL_S = 16.0
IN_DOUBT_S = 2.0
WITNESS_S = 60.0  # for how long a contradiction counts


class ClockTrust:
    """watch: shared with whoever acts on its steps. readers: see `readers_for`."""

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
        self._said = ""
        self._before: tuple[float, str, float] | None = None  # disturbance, source, its `compared`
        self._compared_at_s = -math.inf  # when that was seen to have changed

    async def run(self) -> None:
        """Until cancelled."""
        while True:
            await self.poll()
            self._watch.disturbed.clear()
            await self._clock.wait(self._watch.disturbed, IN_DOUBT_S if self.doubt() else POLL_S)

    async def poll(self) -> None:
        """Look once."""
        seen = await look(self._readers)
        kept = self.reading
        if kept and any(one.source == kept.source and not one.synchronised for one in seen):
            self.reading = None  # it takes back what it said, whatever others say
        new = best_reading(seen)
        if new is not None and self._better(new):
            self.reading, self._read_at_s = new, self._clock.monotonic_s()
            self._compare(new)
        doubt = self.doubt()
        if doubt != self._said:
            self._said = doubt
            if doubt:
                log.warning("the clock is not trusted: %s", doubt)
            else:
                log.info("the clock is trusted: %s", _named(self.reading))

    def error_bound_s(self) -> float:
        """UTC may be wrong by so much either way at this moment; infinite if unknown."""
        if self.reading is None or self._watch.disturbed_at_s > self._compared_at_s:
            return math.inf
        idle_s = self._clock.monotonic_s() - self._read_at_s
        return self.reading.bound_s + idle_s * self._settings.drift_ppm / 1e6

    def cost_hz(self, rate_hz_per_s: float) -> float:
        """What that may cost, at a Doppler rate; infinite if unknown."""
        return _cost_hz(self.error_bound_s(), rate_hz_per_s)

    def witness(self, ahead_low_s: float, ahead_high_s: float, who: str) -> None:
        """Somebody else knows that the clock is ahead of true time by something between these two
        (negative: behind). Where that leaves no room for the limit, it is a contradiction."""
        limit_s = self._settings.max_error_s
        if ahead_low_s > limit_s:
            self._contradiction = f"by the {who} it is at least {ahead_low_s:.1f} s ahead"
        elif ahead_high_s < -limit_s:
            self._contradiction = f"by the {who} it is at least {-ahead_high_s:.1f} s behind"
        else:
            self._contradiction = ""
        self._contradicted_at_s = self._clock.monotonic_s()

    def doubt(self) -> str:
        """Why the clock is not to be trusted just now; empty if it may be."""
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
            return "" if self._settings.trust == "any" else _unvouched(reading)
        if self._watch.disturbed_at_s > self._compared_at_s:
            return f"{self._watch.said}, and {reading.source} has not set it right since"
        bound_ms = 1000.0 * bound_s
        # Written so that not-a-number forbids.
        if not bound_ms <= self._settings.max_error_ms:
            return (
                f"it may be wrong by {bound_ms:.0f} ms, more than {self._settings.max_error_ms:g}: "
                f"{_named(reading)}"
            )
        return ""

    def view(self, rate_hz_per_s: float = math.nan) -> ClockView:
        """As it is now. rate_hz_per_s: the present Doppler rate; not-a-number: not known."""
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
        """A source is always believed about itself; another one only if it knows better."""
        kept = self.reading
        return kept is None or new.source == kept.source or new.bound_s <= self.error_bound_s()

    def _compare(self, new: ClockReading) -> None:
        """Has the source compared the clock since it was last disturbed?"""
        disturbed_at_s = self._watch.disturbed_at_s
        if disturbed_at_s <= self._compared_at_s:
            return
        if self._before is None or self._before[:2] != (disturbed_at_s, new.source):
            self._before = (disturbed_at_s, new.source, new.compared)
        elif self._before[2] != new.compared:
            self._compared_at_s = self._clock.monotonic_s()


def _cost_hz(bound_s: float, rate_hz_per_s: float) -> float:
    return bound_s if math.isinf(bound_s) else bound_s * abs(rate_hz_per_s)


def _unvouched(reading: ClockReading | None) -> str:
    if reading is None:
        return "nothing that can be read says that it is synchronised"
    return f"it is not synchronised: {_named(reading)}"


def _named(reading: ClockReading | None) -> str:
    return f"{reading.source}, {reading.detail}" if reading else "on the operator's word"
