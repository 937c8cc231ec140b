"""Calendar files: from any program that writes them."""

from __future__ import annotations

from fuzz.target import Target, hold
from moontrim.agenda.calendarfile import calendar_of, read_events
from moontrim.errors import InputError
from support.agendas import STATION, minutes

T0 = 1_795_000_000.0


def calendar(data: bytes) -> None:
    """InputError, or entries that can be written and read again, and a line for each other
    event."""
    skeds = STATION.skeds
    for sked in (None, skeds[0]):
        try:
            events = read_events(data, "FILE", skeds, sked)
        except InputError as error:
            hold(str(error), "nothing is said")
            continue
        hold(all(line and line.isprintable() for line in events.refused), f"{events.refused}")
        for entry in events.entries:
            hold(entry.start_utc_s < entry.end_utc_s, f"{entry}")
            hold(entry.sked in {one.name for one in skeds}, entry.sked)
        again = read_events(calendar_of(events.entries, skeds), "FILE", skeds, None)
        hold(again == events._replace(refused=()), "not the same when written and read again")


_CALENDAR = calendar_of(
    [minutes("north", T0, 60), minutes("echoes", T0 + 3600.0, 10)], STATION.skeds
)
_ZONED = b"""BEGIN:VCALENDAR
VERSION:2.0
BEGIN:VEVENT
SUMMARY;LANGUAGE=en:north\\, again
DTSTART;TZID=Europe/Vienna:20261204T190000
DTEND;TZID=Europe/Vienna:20261204T200000
UID:1@example.org
STATUS:CONFIRMED
END:VEVENT
END:VCALENDAR
"""
_TOKENS = (
    *(b"\r\n", b"\n ", b":", b";", b"=", b'"', b"\\n", b"\x00", b"\xff", b"BEGIN:VEVENT\r\n"),
    *(
        b"END:VEVENT\r\n",
        b"BEGIN:VTIMEZONE\r\nTZID:x\r\nEND:VTIMEZONE\r\n",
        b"RRULE:FREQ=DAILY\r\n",
    ),
    *(b"DTSTART;VALUE=DATE:20261204\r\n", b"DTSTART;VALUE=PERIOD:20261204T1/PT1H\r\n"),
    *(b"DURATION:PT1H\r\n", b"00010101T000000Z", b"99991231T235959Z", b";TZID=", b"SUMMARY:\r\n"),
    *(b"RECURRENCE-ID:20261204T180000Z\r\n", b"STATUS:CANCELLED\r\n", b"@agenda.moontrim"),
)

TARGETS = (Target("calendar", calendar, (_CALENDAR, _ZONED), _TOKENS),)
