"""Instants and figures as text for people: UTC, and local time beside it."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from moontrim.errors import InputError
from moontrim.formats import grouped

DAY = "%a %d %b"
CLOCK = "%H:%M"
DAY_S = 86400.0


def zone_named(name: str | None, field: str) -> tzinfo | None:
    """Returns a time zone by its name; None, without a name, for the system's, whose rules then
    count at each instant. Raises InputError for an unknown name.

    field: what the error calls it."""
    if name is None:
        return None
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise InputError(field, name, "a time zone such as Europe/Vienna or UTC") from None


def utc_time(utc_s: float) -> datetime:
    """Returns UTC to the nearest second."""
    return datetime.fromtimestamp(round(utc_s), UTC)


def local_time(utc_s: float, zone: tzinfo | None) -> datetime:
    """Returns local time to the nearest second, in a zone from `zone_named`."""
    return utc_time(utc_s).astimezone(zone)


def minute(utc_s: float) -> float:
    """Returns the nearest whole minute, POSIX seconds: what a clock of hours and minutes shows."""
    return round(utc_s / 60.0) * 60.0


def span_text(start_utc_s: float, end_utc_s: float, zone: tzinfo | None = UTC) -> str:
    """Returns `17:03-06:12` in a zone, rounded to minutes; with the last day if the span is a day
    or longer: `17:03-Fri 04 Dec 06:12`."""
    start, end = (local_time(minute(at), zone).strftime(CLOCK) for at in (start_utc_s, end_utc_s))
    if end_utc_s - start_utc_s >= DAY_S:
        end = f"{day_text(end_utc_s, zone)} {end}"
    return f"{start}-{end}"


def dated_span_text(
    start_utc_s: float, end_utc_s: float, zone: tzinfo | None = UTC, year: str = ""
) -> str:
    """Returns `Thu 26 Nov 17:12 to Fri 27 Nov 09:11` in a zone, the day once if it is the same.

    year: format of what follows the first day."""
    start, end = (local_time(minute(at), zone) for at in (start_utc_s, end_utc_s))
    last_day = "" if start.date() == end.date() else f"{end:{DAY}} "
    return f"{start:{DAY}{year} {CLOCK}} to {last_day}{end:{CLOCK}}"


def day_text(utc_s: float, zone: tzinfo | None = UTC) -> str:
    """Returns a date as `Wed 25 Nov`."""
    return local_time(minute(utc_s), zone).strftime(DAY)


def zone_text(utc_s: float, zone: tzinfo | None) -> str:
    """Returns the zone's short name at an instant, as CET; UTC+0545 where it has none."""
    name = local_time(utc_s, zone).tzname() or "local"
    return f"UTC{name}" if name[0] in "+-" else name


def zone_label(zone: tzinfo | None, start_utc_s: float, end_utc_s: float) -> str:
    """Returns `local (Europe/Vienna)`, the heading of times in a zone; with the short names of the
    system's zone, which has no other."""
    name = getattr(zone, "key", None)
    names = dict.fromkeys(zone_text(at, zone) for at in (start_utc_s, end_utc_s))
    return f"local ({name or '/'.join(names)})"


def is_utc(zone: tzinfo | None, *instants_utc_s: float) -> bool:
    """Returns whether a zone shows UTC at all of these instants, so that its times need not be
    printed beside UTC."""
    return not any(local_time(at, zone).utcoffset() for at in instants_utc_s)


def hz_text(value: float) -> str:
    """Returns a spread in Hz with two to three significant digits."""
    return grouped(value) if value >= 99.95 else f"{value:.1f}" if value >= 0.95 else f"{value:.2f}"
