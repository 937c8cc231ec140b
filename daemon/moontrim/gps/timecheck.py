"""What a fix says of the clock. Its report comes up to a second late, so it tells a clock that is
seconds wrong from one that is not, and no more."""

from __future__ import annotations

from moontrim.gps.fix import Fix
from moontrim.gps.receiver import GpsWatch
from moontrim.timekeeping.reading import ClockReading, Reader

EARLIEST_S, LATEST_S = -0.05, 1.1  # before the next second's (common practice), and some slack
RECENT_S = 5.0


def clock_ahead_s(fix: Fix) -> tuple[float, float] | None:
    """Between which two values our clock minus true time lies, in seconds; None if the receiver
    does not say the date."""
    if fix.gps_utc_s is None:
        return None
    later_s = fix.arrived_utc_s - fix.gps_utc_s
    return later_s - LATEST_S, later_s - EARLIEST_S


def gps_reader(watch: GpsWatch) -> Reader:
    """The receiver as a source, for where no time daemon runs. It is good to a second only: see
    `max_error_ms`."""

    async def read() -> ClockReading | None:
        fix, age_s = watch.latest, watch.age_s()
        between = clock_ahead_s(fix) if fix is not None and age_s <= RECENT_S else None
        if between is None:
            return None
        low_s, high_s = between
        return ClockReading(
            "gps",
            True,
            max(abs(low_s), abs(high_s)),
            (low_s + high_s) / 2,
            "by the arrival of its reports",
            float(watch.fixes),
        )

    return read
