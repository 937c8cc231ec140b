"""systemd-timesyncd, by the file it touches at each synchronisation (systemd-timesyncd(8)).

Its absence says nothing: the folder stays when the service is stopped, and the kernel is asked
next."""

from __future__ import annotations

from pathlib import Path

from moontrim.timekeeping.reading import ClockReading

FOLDER = Path("/run/systemd/timesync")
# It slews what is less than 0.4 s off, and steps the rest (NTP_MAX_ADJUST in its source): so much
# may be left for a while.
NOT_YET_SLEWED_S = 0.4
LONGEST_POLL_S = 2048.0  # timesyncd.conf(5), PollIntervalMaxSec
STALE_S = 3 * LONGEST_POLL_S  # three answers missed: it does not run any more, or reaches nobody


def read_timesyncd(
    now_utc_s: float, drift_ppm: float, folder: Path = FOLDER
) -> ClockReading | None:
    """None if it does not run here, or has not synchronised for long."""
    try:
        touched_utc_s = (folder / "synchronized").stat().st_mtime
    except OSError:
        return None
    age_s = now_utc_s - touched_utc_s
    if not -LONGEST_POLL_S <= age_s <= STALE_S:
        return None
    age_s = abs(age_s)  # touched in the future: the clock has stepped back since
    return ClockReading(
        "timesyncd",
        True,
        NOT_YET_SLEWED_S + age_s * drift_ppm / 1e6,
        None,
        f"{age_s:.0f} s after it last synchronised",
        touched_utc_s,
    )
