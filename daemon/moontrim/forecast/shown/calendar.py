"""Windows as a calendar file (iCalendar, RFC 5545), one event each."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import tzinfo
from pathlib import Path

from icalendar import Calendar, Event

from moontrim.errors import unwritable
from moontrim.forecast.compute import Forecast
from moontrim.forecast.shown.words import (
    day_text,
    hz_text,
    is_utc,
    minute,
    span_text,
    utc_time,
    zone_text,
)
from moontrim.forecast.window import Window
from moontrim.formats import megahertz


def write_calendar(forecasts: Iterable[Forecast], path: Path, zone: tzinfo | None) -> int:
    """Writes all windows and returns the number of events. An event of a later forecast replaces
    that of the same pair and window (same UID). Raises InputError if the file cannot be written."""
    calendar = Calendar()
    calendar.add("prodid", "-//moontrim//forecast//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    events = 0
    for forecast in forecasts:
        for window in forecast.windows:
            calendar.add_component(_event(forecast, window, zone))
            events += 1
    try:
        path.write_bytes(calendar.to_ical())
    except OSError as error:
        raise unwritable("--calendar", path, error) from None
    return events


def _event(forecast: Forecast, window: Window, zone: tzinfo | None) -> Event:
    event = Event()
    what = "echoes" if window.own_echo else window.partner
    event.add(
        "summary",
        f"Moon: {what}, {megahertz(window.frequency_hz)}, "
        f"minimum spread {hz_text(window.min_spread_hz)} Hz",
    )
    event.add("dtstart", utc_time(window.start_utc_s))
    event.add("dtend", utc_time(window.end_utc_s))
    # The time of making is not part of a forecast; its beginning keeps the file repeatable.
    event.add("dtstamp", utc_time(forecast.from_utc_s))
    event.add("uid", _uid(forecast, window))
    event.add("transp", "TRANSPARENT")
    event.add("description", "\n".join(_lines(window, zone)))
    return event


def _uid(forecast: Forecast, window: Window) -> str:
    """Returns the same text for the same sites, frequency and window, whatever the span: by the
    window's end, or by its start if the forecast ends inside."""
    home, far = forecast.question.home.site, forecast.question.far.site
    edge_utc_s = window.start_utc_s if window.set_limited_by is None else window.end_utc_s
    text = f"{home}|{far}|{window.frequency_hz:.0f}|{round(edge_utc_s / 60.0)}"
    return hashlib.sha256(text.encode()).hexdigest()[:32] + "@moontrim"


def _lines(window: Window, zone: tzinfo | None) -> list[str]:
    highest = f"Maximum elevation {window.home_max_elevation.elevation_deg:.0f}° at home"
    if not window.own_echo:
        highest += f", {window.far_max_elevation.elevation_deg:.0f}° at {window.partner}"
    loss = window.series.path_loss_db
    lines = [highest, f"Path loss {loss.min():.1f} to {loss.max():.1f} dB", "Spread, limb to limb:"]
    for period in window.low_spread:
        start, end = period.start_utc_s, period.end_utc_s
        local = f" ({span_text(start, end, zone)} {zone_text(start, zone)})"
        lines.append(
            f"- low {span_text(start, end)} UTC{'' if is_utc(zone, start, end) else local}: "
            f"mean {hz_text(period.mean_hz)} Hz"
        )
    lines += [
        f"- minimum {hz_text(turn.spread_hz)} Hz at {day_text(turn.at_utc_s)} "
        f"{utc_time(minute(turn.at_utc_s)):%H:%M} UTC"
        for turn in window.minima
    ]
    if window.max_margin_db is not None:
        lines.append(f"Maximum margin over the threshold: {window.max_margin_db:+.1f} dB")
    lines += [remark.text[0].upper() + remark.text[1:] for remark in window.remarks]
    return lines
