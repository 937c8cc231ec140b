"""What a fix says about the clock. Its report arrives up to a second late, so it can only tell that
the clock is wrong by seconds."""

from __future__ import annotations

from moontrim.gps.fix import Fix
from moontrim.gps.receiver import GpsWatch
from moontrim.timekeeping.reading import ClockReading, Reader

# When a report arrives after its instant: before the next second's (common practice), and a margin.
EARLIEST_S, LATEST_S = -0.05, 1.1
WORST_BOUND_S = LATEST_S - EARLIEST_S  # of a clock that is right
GPS = "gps"  # the name of the source
RECENT_S = 5.0  # chosen: a receiver reports once a second


def clock_ahead_s(fix: Fix) -> tuple[float, float] | None:
    """Returns the two values between which the machine's clock minus true time lies, in seconds;
    None if the receiver does not report the date."""
    if fix.gps_utc_s is None:
        return None
    later_s = fix.arrived_utc_s - fix.gps_utc_s
    return later_s - LATEST_S, later_s - EARLIEST_S


def gps_reader(watch: GpsWatch) -> Reader:
    """Returns the receiver as a source of time, for a machine without a time daemon. It is good to
    a second only: see `max_error_ms`."""

    async def read() -> ClockReading | None:
        fix, age_s = watch.latest, watch.age_s()
        if fix is None or age_s > RECENT_S:
            return None
        return reading_of(fix, float(watch.fixes))

    return read


def reading_of(fix: Fix, compared: float) -> ClockReading | None:
    """Returns a fresh fix as a reading of the clock; None if the receiver does not report the date.
    compared: see `ClockReading`."""
    between = clock_ahead_s(fix)
    if between is None:
        return None
    low_s, high_s = between
    return ClockReading(
        GPS,
        True,
        max(abs(low_s), abs(high_s)),
        (low_s + high_s) / 2,
        "from the arrival of its reports",
        compared,
    )
