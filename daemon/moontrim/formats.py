"""How instants, frequencies and legs are written, one way for every reader."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

LEG_LABELS = {
    "to_moon": "home to Moon",
    "from_moon": "Moon to home",
    "echo": "own echo",
    "from_partner": "partner to home",
    "to_partner": "home to partner",
}


def iso(utc_s: float) -> str:
    """UTC to the second, ISO 8601."""
    return datetime.fromtimestamp(utc_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def grouped(hz: float, decimals: int = 0) -> str:
    """Hertz in groups of three, as dials show them: 10 368 100 000."""
    return f"{hz:,.{decimals}f}".replace(",", " ")


class UtcFormatter(logging.Formatter):
    """Log lines stamped by the daemon's own clock, which in a rehearsal is not the wall's.

    utc_s: what reads that clock, in POSIX seconds."""

    def __init__(self, utc_s: Callable[[], float]) -> None:
        super().__init__("%(asctime)s %(levelname)s %(message)s")
        self._utc_s = utc_s

    def formatTime(self, record: logging.LogRecord, datefmt: str | None = None) -> str:  # noqa: N802
        return iso(self._utc_s())


def iso_utc(utc_s: float) -> str:
    """POSIX seconds as ISO 8601 UTC with Z, to the microsecond where there is a fraction."""
    micros = round(utc_s * 1e6)
    text = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=micros)).isoformat()
    return text.replace("+00:00", "Z")
