"""Calendar files to entries and back."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from icalendar import Calendar

from moontrim.agenda.calendarfile import MOST_BYTES, ReadEvents, calendar_of, read_events
from moontrim.errors import InputError
from moontrim.forecast.compute import forecast
from moontrim.forecast.good import good_stretches
from moontrim.forecast.shown.calendar import CalendarFile
from moontrim.path import Ephemeris
from moontrim.session.agenda import AgendaEntry
from support.agendas import STATION, minutes
from support.stage import T0

SKEDS = (
    *STATION.skeds,
    STATION.skeds[0].model_copy(update={"name": "north two"}),
)
START = datetime(2026, 12, 4, 18, tzinfo=UTC).timestamp()
GOOD = {
    "SUMMARY": "SUMMARY:north",
    "DTSTART": "DTSTART:20261204T180000Z",
    "DTEND": "DTEND:20261204T190000Z",
    "UID": "UID:event-1@example.org",
}


def calendar(*events: str) -> bytes:
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//test//EN"]
    for event in events:
        lines += ["BEGIN:VEVENT", *event.splitlines(), "END:VEVENT"]
    return "\r\n".join([*lines, "END:VCALENDAR", ""]).encode()


def event(*more: str, **changed: str) -> str:
    """Returns the lines of an event. changed: lines in the place of those of GOOD."""
    return "\n".join(line for line in (*(GOOD | changed).values(), *more) if line)


def read(data: bytes, sked: str = "") -> ReadEvents:
    chosen = next((one for one in SKEDS if one.name == sked), None)
    return read_events(data, "FILE", SKEDS, chosen)


def only(text: str, sked: str = "") -> AgendaEntry:
    result = read(calendar(text), sked)
    assert result.refused == ()
    (entry,) = result.entries
    return entry


@pytest.mark.parametrize(
    ("summary", "sked"),
    [
        ("north", "north"),
        ("North", "north"),
        ("north: with the big dish", "north"),
        ("north two", "north two"),
        ("north two, bring tea", "north two"),
        ("echoes", "echoes"),
        ("  plain  ", "plain"),
    ],
)
def test_the_summary_begins_with_a_sked(summary: str, sked: str) -> None:
    entry = only(event(SUMMARY=f"SUMMARY:{summary}"))
    assert (entry.sked, entry.start_utc_s, entry.end_utc_s) == (sked, START, START + 3600.0)


def test_one_sked_for_all_events() -> None:
    assert only(event(SUMMARY="SUMMARY:Moon: KP20\\, spread 2 Hz"), "echoes").sked == "echoes"
    assert only(event(SUMMARY=""), "echoes").sked == "echoes"


def test_a_time_zone_counts() -> None:
    entry = only(
        event(
            DTSTART="DTSTART;TZID=Europe/Vienna:20261204T190000",
            DTEND="DTEND;TZID=Europe/Helsinki:20261204T210000",
        )
    )
    assert (entry.start_utc_s, entry.end_utc_s) == (START, START + 3600.0)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (event("RRULE:FREQ=DAILY;COUNT=3"), "north: recurring"),
        (event("RDATE:20261205T180000Z"), "north: recurring"),
        (event("RECURRENCE-ID:20261204T180000Z"), "north: recurring"),
        (event("STATUS:CANCELLED"), "north: cancelled"),
        (event(DTSTART="DTSTART;VALUE=DATE:20261204"), "north: all day"),
        (event(DTEND="DTEND;VALUE=DATE:20261205"), "north: all day"),
        (event(DTEND=""), "north: DTEND missing"),
        (event("DURATION:PT1H", DTEND=""), "north: DTEND missing"),
        (event(DTSTART=""), "north: DTSTART missing"),
        (event(DTSTART="DTSTART:yesterday"), "north: DTSTART missing or invalid"),
        (event("DTSTART:20261204T180000Z"), "north: DTSTART missing or invalid"),
        (event(DTSTART="DTSTART:20261204T180000"), "north: DTSTART without a known time zone"),
        (event(DTEND="DTEND:20261204T190000"), "north: DTEND without a known time zone"),
        (
            event(DTSTART="DTSTART;TZID=Moon/Tycho:20261204T180000"),
            "north: DTSTART without a known time zone",
        ),
        (event(DTEND="DTEND:20261204T180000Z"), "north: ends before it starts"),
        (event(DTEND="DTEND:20261204T170000Z"), "north: ends before it starts"),
        (event(DTSTART="DTSTART:19601204T170000Z"), "north: invalid value"),
        (
            event(SUMMARY="SUMMARY:northern lights"),
            "northern lights: no sked of that name (skeds: ",
        ),
        (event(SUMMARY="SUMMARY:dentist"), "dentist: no sked of that name (skeds: north, echoes, "),
        (event(SUMMARY=""), "event without a summary: no sked of that name"),
    ],
)
def test_what_is_refused_is_named_and_the_rest_is_read(text: str, reason: str) -> None:
    result = read(calendar(event(UID="UID:first"), text, event(UID="UID:last")))
    assert len(result.entries) == 2
    (refused,) = result.refused
    assert refused.startswith(reason)


@pytest.mark.parametrize(
    "data", [b"", b"no calendar", b"\xff\xfe\x00", b"BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\n"]
)
def test_what_is_no_calendar_is_refused(data: bytes) -> None:
    with pytest.raises(InputError, match="FILE: no calendar file"):
        read(data)


def test_a_calendar_without_events() -> None:
    assert read(calendar()) == ReadEvents((), ())


def test_what_a_file_says_cannot_reach_the_terminal() -> None:
    result = read(calendar(event(SUMMARY="SUMMARY:den\x1b[31mtist\x07\u202e")))
    assert result.refused[0].startswith("den?[31mtist??: no sked of that name")
    with pytest.raises(InputError) as refused:
        read(b"BEGIN:VCALENDAR\r\n\x1b[31m\r\nEND:VCALENDAR\r\n")
    assert refused.value.problem.isprintable()


def test_no_endless_file_is_read() -> None:
    with pytest.raises(InputError, match="more than 20 MB"):
        read(b" " * (MOST_BYTES + 1))


def test_the_same_event_is_always_the_same_entry() -> None:
    first, again = only(event()), only(event())
    assert first == again
    moved = only(event(DTEND="DTEND:20261204T193000Z"))
    assert moved.id == first.id and moved.end_utc_s != first.end_utc_s
    assert only(event(UID="UID:event-2@example.org")).id != first.id
    assert only(event(UID="")).id == minutes("north", START, 60).id, "without a UID by its times"


def test_what_is_exported_is_imported_as_it_was() -> None:
    entries = (minutes("north", START, 60), minutes("echoes", START + 3600.0, 12.25))
    data = calendar_of(entries, SKEDS)
    assert read(data) == ReadEvents(entries, ())
    assert calendar_of(read(data).entries, SKEDS) == data
    events = Calendar.from_ical(data).walk("VEVENT")
    assert [str(one["SUMMARY"]) for one in events] == ["north", "echoes"]
    assert "10 GHz, 10 368.15 MHz, partner KP20NF11AA, agreement receiver" in str(
        events[0]["DESCRIPTION"]
    )
    assert all(one["UID"] for one in events)


def test_the_export_of_a_sked_that_is_gone() -> None:
    data = calendar_of([minutes("gone", START, 60)], SKEDS)
    assert b"SUMMARY:gone" in data
    assert len(read(data).refused) == 1


def test_good_stretches_of_the_forecast(tmp_path: Path, ephemeris: Ephemeris) -> None:
    place = STATION.partner_place("KP20NF11AA")
    assert place is not None
    question = STATION.forecast_tables.question(
        STATION.home.site(), place.site(), "10 GHz", 10_368_150_000.0, T0
    )
    made = forecast(ephemeris, question)
    stretches = good_stretches(made)
    assert stretches
    file = CalendarFile(tmp_path / "good.ics", UTC)
    file.add_stretches(made, stretches)
    file.finish()
    result = read((tmp_path / "good.ics").read_bytes(), "north")
    assert result.refused == ()
    spans = [(one.start_utc_s, one.end_utc_s) for one in result.entries]
    assert spans == [
        (float(round(one.period.start_utc_s)), float(round(one.period.end_utc_s)))
        for one in stretches
    ]
    assert read((tmp_path / "good.ics").read_bytes()).entries == (), "named by no sked"
