"""systemd-timesyncd, by the file it touches at each synchronisation (systemd-timesyncd(8)).

A missing or old file does not mean that the clock is wrong: the kernel is read next. The folder
stays when the service is stopped."""

from __future__ import annotations

from pathlib import Path

from moontrim.timekeeping.reading import ClockReading

FOLDER = Path("/run/systemd/timesync")
# It slews an offset below 0.4 s and steps a larger one (NTP_MAX_ADJUST in its source), so the clock
# may be off by so much for a while.
NOT_YET_SLEWED_S = 0.4
LONGEST_POLL_S = 2048.0  # timesyncd.conf(5), PollIntervalMaxSec
STALE_S = 3 * LONGEST_POLL_S  # chosen: after three missed answers it has stopped, or has no server


def read_timesyncd(
    now_utc_s: float, drift_ppm: float, folder: Path = FOLDER
) -> ClockReading | None:
    """Returns its reading; None if it does not run, or has not synchronised for `STALE_S`."""
    try:
        touched_utc_s = (folder / "synchronized").stat().st_mtime
    except OSError:
        return None
    age_s = now_utc_s - touched_utc_s
    if not -LONGEST_POLL_S <= age_s <= STALE_S:
        return None
    age_s = abs(age_s)  # negative: the clock has stepped back since
    return ClockReading(
        "timesyncd",
        True,
        NOT_YET_SLEWED_S + age_s * drift_ppm / 1e6,
        None,
        f"synchronised {age_s:.0f} s ago",
        touched_utc_s,
    )
