"""The text of instants, numbers and legs, the same wherever they are printed."""

from __future__ import annotations

import logging
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from moontrim.errors import InputError

# Not in a time or after a decimal point, as in 12:05 100 Hz.
_GROUPS = re.compile(r"(?<![\d.:])\d{1,3}(?: \d{3})+(?!\d)")
_MINUS = re.compile(r"(?<![\w.:)-])-(?=\d)")  # not in a date or a range

# By the legs of a path, see `path.exact`.
LEG_LABELS = {
    "home_to_moon": "home to Moon",
    "moon_to_home": "Moon to home",
    "home_to_home": "home to home",
    "partner_to_home": "partner to home",
    "home_to_partner": "home to partner",
}


def iso(utc_s: float) -> str:
    """Returns POSIX seconds as ISO 8601 UTC with Z, to the second."""
    return datetime.fromtimestamp(utc_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def grouped(value: float, decimals: int = 0, *, sign: bool = False) -> str:
    """Returns a number in groups of three digits (ISO 80000-1, 7.3.1): 10 368 100 000, -1 234.5.

    sign: positive numbers get one as well. For pages and pictures see `typeset`."""
    # `z`: what rounds to zero has no minus.
    text = f"{value:+z,.{decimals}f}" if sign else f"{value:z,.{decimals}f}"
    return text.replace(",", " ")


def short(value: float, *, sign: bool = False) -> str:
    """Returns a number, grouped, with up to three decimals, those that it has: 2 700, 12.5."""
    return grouped(value, 3, sign=sign).rstrip("0").rstrip(".")


def signed_short(value: float) -> str:
    """Returns a number with its sign, grouped, with up to three decimals, those that it has: +50,
    -12.5."""
    return short(value, sign=True)


def megahertz(frequency_hz: float) -> str:
    """Returns a frequency on the air as 10 368.1 MHz."""
    return f"{short(frequency_hz / 1e6)} MHz"


def invalid_hz(field: str, value_hz: float, expected: str) -> InputError:
    """Returns the error for hertz out of range; expected: what would have been accepted."""
    problem = f"invalid value {short(value_hz)} Hz; expected {expected}"
    return InputError(field, value_hz, expected, problem=problem)


def count(number: int, one: str) -> str:
    """Returns text such as `1 second`, `12 000 seconds`. one: the noun for one."""
    text = f"{grouped(number)} {one}"
    return text if number == 1 else f"{text}s"


def typeset(text: str) -> str:
    """Returns a text for a page or a picture: thin spaces, which do not break, in the numbers that
    `grouped` made, and true minus signs."""
    thin = _GROUPS.sub(lambda number: number[0].replace(" ", "\u202f"), text)
    return _MINUS.sub("\u2212", thin)


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
