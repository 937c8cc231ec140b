"""Windows or good stretches as a calendar file (iCalendar, RFC 5545), one event each."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterable
from datetime import tzinfo
from pathlib import Path
from tempfile import SpooledTemporaryFile

from icalendar import Calendar, Event

from moontrim.errors import unwritable
from moontrim.forecast.compute import Forecast
from moontrim.forecast.good import GoodStretch
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


class CalendarFile:
    """A calendar, written at the end. An event of a later forecast replaces that of the same pair
    and window, or the same of its good stretches (same UID)."""

    def __init__(self, path: Path, zone: tzinfo | None) -> None:
        self._path, self._zone = path, zone
        self._events = 0
        # Beyond a megabyte on the disk: there may be tens of thousands of events.
        self._spool = SpooledTemporaryFile(max_size=1_000_000)  # noqa: SIM115 - open until `finish`

    def add(self, forecast: Forecast) -> None:
        """Makes an event of each window of a partner."""
        for window in forecast.windows:
            self._add(_window_event(window, forecast, self._zone))

    def add_stretches(self, forecast: Forecast, stretches: Iterable[GoodStretch]) -> None:
        """Makes an event of each good stretch of a partner."""
        for stretch in stretches:
            self._add(_stretch_event(stretch, forecast, self._zone))

    def _add(self, event: Event) -> None:
        self._spool.write(event.to_ical())
        self._events += 1

    def finish(self) -> list[str]:
        """Writes the file and returns what has been written. Raises InputError if it cannot be
        written."""
        calendar = Calendar()
        calendar.add("prodid", "-//moontrim//forecast//EN")
        calendar.add("version", "2.0")
        calendar.add("calscale", "GREGORIAN")
        head, end = calendar.to_ical().split(b"END:VCALENDAR")
        self._spool.seek(0)
        try:
            with self._path.open("wb") as file:
                file.write(head)
                shutil.copyfileobj(self._spool, file)
                file.write(b"END:VCALENDAR" + end)
        except OSError as error:
            raise unwritable("--calendar", self._path, error) from None
        finally:
            self._spool.close()
        return [f"{self._path}: {self._events} events"]


def _window_event(window: Window, forecast: Forecast, zone: tzinfo | None) -> Event:
    return _event(
        forecast,
        (window.start_utc_s, window.end_utc_s),
        f"minimum spread {hz_text(window.min_spread_hz)} Hz",
        _lines(window, zone),
        _uid(forecast, window.identifying_utc_s),
    )


def _stretch_event(stretch: GoodStretch, forecast: Forecast, zone: tzinfo | None) -> Event:
    period = stretch.period
    highest = f"Maximum elevation {stretch.home_max_deg:.0f}° at home"
    if forecast.question.partner is not None:
        highest += f", {stretch.far_max_deg:.0f}° at {stretch.partner}"
    lines = [
        f"Spread, limb to limb: mean {hz_text(period.mean_hz)} Hz, {hz_text(period.min_hz)} to "
        f"{hz_text(period.max_hz)} Hz",
        highest,
    ]
    if stretch.margin_db is not None:
        lines.append(f"Mean margin over the threshold: {stretch.margin_db:+.1f} dB")
    if not is_utc(zone, period.start_utc_s, period.end_utc_s):
        local = span_text(period.start_utc_s, period.end_utc_s, zone)
        lines.append(f"Local time {local} {zone_text(period.start_utc_s, zone)}")
    return _event(
        forecast,
        (period.start_utc_s, period.end_utc_s),
        f"spread {hz_text(period.mean_hz)} Hz",
        lines,
        _uid(forecast, stretch.window_utc_s, f"|good {stretch.number}"),
    )


def _event(
    forecast: Forecast, span: tuple[float, float], brief: str, lines: list[str], uid: str
) -> Event:
    event = Event()
    question = forecast.question
    what = "echoes" if question.partner is None else question.partner.name
    event.add("summary", f"Moon: {what}, {megahertz(question.frequency_hz)}, {brief}")
    event.add("dtstart", utc_time(span[0]))
    event.add("dtend", utc_time(span[1]))
    # The time of making is not part of a forecast; its beginning keeps the file repeatable.
    event.add("dtstamp", utc_time(forecast.from_utc_s))
    event.add("uid", uid)
    event.add("transp", "TRANSPARENT")
    event.add("description", "\n".join(lines))
    return event


def _uid(forecast: Forecast, identifying_utc_s: float, which: str = "") -> str:
    """Returns the same text for the same sites, frequency and window, whatever the span. which: of
    its stretches."""
    question = forecast.question
    home, far = question.home.site, question.far.site
    text = f"{home}|{far}|{question.frequency_hz:.0f}|{round(identifying_utc_s / 60.0)}{which}"
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
