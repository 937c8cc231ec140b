"""The text of instants, frequencies and legs, the same wherever they are printed."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

# By the legs of a path, see `path.exact`.
LEG_LABELS = {
    "to_moon": "home to Moon",
    "from_moon": "Moon to home",
    "echo": "own echo",
    "from_partner": "partner to home",
    "to_partner": "home to partner",
}


def iso(utc_s: float) -> str:
    """Returns POSIX seconds as ISO 8601 UTC with Z, to the second."""
    return datetime.fromtimestamp(utc_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def grouped(hz: float, decimals: int = 0) -> str:
    """Returns hertz in groups of three digits, as dials show them: 10 368 100 000."""
    return f"{hz:,.{decimals}f}".replace(",", " ")


class UtcFormatter(logging.Formatter):
    """Formats log lines with the time of the daemon's clock, which in a rehearsal is simulated.

    utc_s: reads that clock, POSIX seconds."""

    def __init__(self, utc_s: Callable[[], float]) -> None:
        super().__init__("%(asctime)s %(levelname)s %(message)s")
        self._utc_s = utc_s

    def formatTime(self, record: logging.LogRecord, datefmt: str | None = None) -> str:  # noqa: N802
        """Returns the time of the clock; called by `logging.Formatter`."""
        return iso(self._utc_s())


def iso_utc(utc_s: float) -> str:
    """Returns POSIX seconds as ISO 8601 UTC with Z, to the microsecond where there is a
    fraction."""
    micros = round(utc_s * 1e6)
    text = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=micros)).isoformat()
    return text.replace("+00:00", "Z")
