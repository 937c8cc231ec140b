"""The agenda as a calendar file (iCalendar, RFC 5545), and entries from one. Pure: bytes in, values
out.

Only single events with a definite start and end become entries. The UID of an event decides the id
of its entry, so that the same event, imported again, is the same entry."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime
from typing import Any, NamedTuple

from icalendar import Calendar, Event

from moontrim.config.sked import Sked, sked_named
from moontrim.errors import InputError, shortened
from moontrim.formats import megahertz
from moontrim.session.agenda import AgendaEntry, new_entry

UID_DOMAIN = "@agenda.moontrim"
OURS = re.compile(rf"([0-9a-f]{{8}}){re.escape(UID_DOMAIN)}")
MOST_BYTES = 20_000_000  # chosen: a year of windows of a hundred partners


class ReadEvents(NamedTuple):
    """The entries that the events of a file make, and why each of the others makes none."""

    entries: tuple[AgendaEntry, ...]
    refused: tuple[str, ...]


def read_events(data: bytes, field: str, skeds: Sequence[Sked], sked: Sked | None) -> ReadEvents:
    """Returns what the events of a calendar file make. Raises InputError for what is no calendar.

    field: what the error calls the file. skeds: all there are. sked: that of all events; None: each
    event is of the sked whose name its summary is, or begins with."""
    if len(data) > MOST_BYTES:
        raise InputError(field, None, problem=f"more than {MOST_BYTES // 1_000_000} MB")
    try:
        calendars = Calendar.from_ical(data, multiple=True)
    except Exception as error:  # whatever its parser makes of bytes that are no calendar
        raise InputError(
            field, None, problem=f"no calendar file (iCalendar): {_shown(str(error))}"
        ) from None
    if not calendars:
        raise InputError(field, None, problem="no calendar file (iCalendar): empty or cut off")
    entries: list[AgendaEntry] = []
    refused: list[str] = []
    for event in (event for calendar in calendars for event in calendar.walk("VEVENT")):
        try:
            entries.append(_entry(event, skeds, sked))
        except InputError as error:
            refused.append(f"{_name(event)}: {error.problem}")
    return ReadEvents(tuple(entries), tuple(refused))


def calendar_of(entries: Iterable[AgendaEntry], skeds: Sequence[Sked]) -> bytes:
    """Returns a calendar file with an event for each entry; the same file for the same entries."""
    calendar = Calendar()
    calendar.add("prodid", "-//moontrim//agenda//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    for entry in entries:
        start, end = (
            datetime.fromtimestamp(utc_s, UTC) for utc_s in (entry.start_utc_s, entry.end_utc_s)
        )
        event = Event()
        event.add("summary", entry.sked)
        event.add("dtstart", start)
        event.add("dtend", end)
        # The time of making is not part of an agenda; its start keeps the file repeatable.
        event.add("dtstamp", start)
        event.add("uid", f"{entry.id}{UID_DOMAIN}")
        if (known := sked_named(skeds, entry.sked)) is not None:
            event.add("description", _description(known))
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _description(sked: Sked) -> str:
    partner = "echoes" if sked.partner.casefold() == "self" else f"partner {sked.partner}"
    text = f"{sked.band}, {megahertz(sked.sked_hz)}, {partner}, agreement {sked.agreement}"
    return f"{text}\n{sked.note}" if sked.note else text


def _entry(event: Any, skeds: Sequence[Sked], sked: Sked | None) -> AgendaEntry:
    """Returns the entry of an event. Raises InputError, whose problem is the reason."""
    for name in ("RRULE", "RDATE", "RECURRENCE-ID"):
        if name in event:
            raise InputError("event", None, problem="recurring; only single events are imported")
    if str(event.get("STATUS", "")).upper() == "CANCELLED":
        raise InputError("event", None, problem="cancelled")
    start_utc_s, end_utc_s = _instant(event, "DTSTART"), _instant(event, "DTEND")
    if not start_utc_s < end_utc_s:
        raise InputError("event", None, problem="ends before it starts")
    chosen = sked or _sked_of(str(event.get("SUMMARY", "")), skeds)
    uid = str(event.get("UID", ""))
    entry = new_entry(chosen.name, start_utc_s, end_utc_s, uid)
    if match := OURS.fullmatch(uid):
        return entry.model_copy(update={"id": match[1]})
    return entry


def _instant(event: Any, name: str) -> float:
    try:
        value = getattr(event.get(name), "dt", None)
    except ValueError:  # a value that is none
        value = None
    if not isinstance(value, date):  # of which datetime is a kind
        raise InputError("event", None, problem=f"{name} missing or invalid")
    if not isinstance(value, datetime):
        raise InputError("event", None, problem="all day; times are needed")
    if value.tzinfo is None:
        problem = f"{name} without a known time zone; UTC or a zone is needed"
        raise InputError("event", None, problem=problem)
    try:
        return value.timestamp()
    except OverflowError:  # of a zone at the first or last day that there is
        raise InputError("event", None, problem=f"{name} invalid") from None


def _sked_of(summary: str, skeds: Sequence[Sked]) -> Sked:
    """Returns the sked with the longest name that the summary begins with."""
    text = summary.strip().casefold()
    begun = [
        sked
        for sked in skeds
        if text.startswith(name := sked.name.casefold()) and not text[len(name) :][:1].isalnum()
    ]
    if not begun:
        names = ", ".join(sked.name for sked in skeds) or "none"
        problem = f"no sked of that name (skeds: {names}); name one by --sked"
        raise InputError("event", None, problem=problem)
    return max(begun, key=lambda sked: len(sked.name))


def _name(event: Any) -> str:
    return _shown(str(event.get("SUMMARY", ""))) or "event without a summary"


def _shown(text: str) -> str:
    """Returns a text of a file so that it can do nothing to a terminal."""
    line = " ".join(text.split())
    return shortened("".join(one if one.isprintable() else "?" for one in line))
