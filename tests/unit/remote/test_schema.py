"""docs/messages.schema.json describes what is published, and the page's types come from it: neither
can have a field that the other does not know."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from moontrim.errorbudget.budget import Budget, Cause
from moontrim.keying.view import KeyingView
from moontrim.remote.commands.parsing import COMMANDS
from moontrim.remote.commands.payload import Refusal, reply_done, reply_refused
from moontrim.remote.published import messages
from moontrim.remote.published.eventlog import EventLog
from moontrim.remote.published.feed import Feed
from moontrim.remote.published.messages import encode
from moontrim.remote.published.outlookmessages import outlook, tonight
from moontrim.remote.published.skedlist import sked_list
from moontrim.remote.published.trace import ResidualTrace
from moontrim.rig.view import LinkState, LinkView
from moontrim.state.agendaview import AgendaView, EntryView, NextEntry
from moontrim.state.snapshot import Change, Fault, Snapshot, Stretch, Tonight, Tracking, WindowView
from moontrim.timekeeping.clockview import ClockView
from moontrim.tracking.commandlog import CommandNote
from support import standin
from support.agendas import STATION
from support.messages import mistakes
from support.messagetypes import SCHEMA, declarations, type_of
from unit.remote.test_remote_messages import DIAL, OUTLOOK, SETTINGS, SNAPSHOT, T0, TOPICS

FULL = SNAPSHOT._replace(
    transmitting=True,
    moon=SNAPSHOT.moon and SNAPSHOT.moon._replace(partner_elevation_deg=5.0),
    tx=DIAL._replace(held="keyed"),
    keying=KeyingView(who="phone", reasons=("Moon too low",), stuck=("amplifier",)),
    link=LinkView(state=LinkState.READY, interlock="RIT is on", not_watched=("RIT",)),
    faults=(Fault(T0, "radio: gone"),),
    last_change=Change("phone", "sked", T0 + 1),
    clock=ClockView("system", "NTP", 1.5, 0.1, ""),
    warnings=("w",),
    undo_until_utc_s=T0 + 5,
    interlocks=("Moon too low",),
    keying_enabled=True,
    over_left_s=12.3,
    skeds=(STATION.skeds[0],),
    made=frozenset({STATION.skeds[0].name}),
    sked_problems=((STATION.skeds[0].name, "band missing"),),
    agenda=AgendaView(
        (EntryView("1", "north", "", T0, T0 + 60, "missed"),),
        NextEntry("2", "north", "10 GHz", T0 + 60, T0 + 120, 2.0),
    ),
)
BARE = SNAPSHOT._replace(
    moon=None,
    rx=DIAL._replace(dial_hz=None, residual_hz=None),
    clock=ClockView("", "", None, None, "unknown"),
)
BUDGET = Budget((Cause("clock", 0.1, 0.3, "a", "normal"),), 0.1, 0.2, "clock", "A sentence.")


def published(message: object) -> Any:
    return json.loads(encode(message))


@pytest.mark.parametrize("snapshot", [SNAPSHOT, FULL, BARE])
def test_states(snapshot: Snapshot) -> None:
    assert mistakes("State", published(messages.state(snapshot, "0badcafe", 3))) == []


def test_the_rest_that_is_retained() -> None:
    for info in (
        messages.info(SETTINGS, "0badcafe", COMMANDS),
        messages.info(STATION, "0badcafe", COMMANDS, rehearsal=True, report="/report"),
    ):
        assert mistakes("Info", published(info)) == []
    low = WindowView(T0, T0 + 600, 31.26, 5.0, T0, T0 + 60, 1.5)
    for ahead in (OUTLOOK, replace(OUTLOOK, windows=(low,), budgets=(BUDGET, BUDGET))):
        assert mistakes("Outlook", published(outlook(ahead))) == []
    stretch = Stretch(T0, T0 + 1, 70.5)
    curves = Tonight(T0, 300.0, (1.0, 2.0), None, (70.0, 71.0), None, (stretch,))
    both = replace(curves, partner_deg=(3.0, 4.0), snr_db=(-20.0, -21.0))
    for shown in (None, curves, both):
        assert mistakes("Tonight", published(tonight(shown))) == []
    for snapshot in (SNAPSHOT, FULL):
        assert mistakes("Skeds", published(sked_list(snapshot))) == []
    trace = ResidualTrace()
    trace.add(SNAPSHOT)
    assert mistakes("Trace", published(trace.message())) == []
    log = EventLog()
    log.add(SNAPSHOT, [CommandNote(T0, "phone", "band 10 GHz", "done")])
    log.add(FULL._replace(tracking=Tracking.NO_CONTACT, utc_s=T0 + 1))
    log.add(SNAPSHOT._replace(utc_s=T0 + 9))
    message = published(log.message())
    assert len(message["events"]) > 3
    assert mistakes("Log", message) == []


def test_events() -> None:
    feed = Feed(TOPICS, "0badcafe")
    feed.add(SNAPSHOT, 0.0)
    changed = FULL._replace(tracking=Tracking.OFF_FREQUENCY, reason="on its way")
    posts = [post for post in feed.add(changed, 1.0) if post.topic == TOPICS.event]
    assert len(posts) == 2
    for post in posts:
        assert mistakes("Event", json.loads(post.payload)) == []


def test_replies() -> None:
    done = reply_done("1", {"band": "10 GHz"})
    refused = reply_refused(7, Refusal("bad_value", "no", "band", 3, "a band"))
    asked_back = reply_refused(None, Refusal("confirm", "sure?", confirm_token="t"))
    for reply in (done, done | {"saved": False, "unsaved": "disk full"}, refused, asked_back):
        assert mistakes("Reply", published(reply)) == []


def test_it_notices_both_ways() -> None:
    state = published(messages.state(FULL, "0badcafe", 3))
    assert mistakes("State", state | {"novel": 1}) != []
    assert mistakes("State", {key: state[key] for key in state if key != "sked_hz"}) != []
    assert mistakes("State", state | {"tracking": "fine"}) != []
    assert mistakes("State", state | {"rx": state["rx"] | {"held": None}}) != []


def test_its_words_are_those_of_the_program() -> None:
    definitions = json.loads(SCHEMA.read_text())["$defs"]
    Draft202012Validator.check_schema({"$defs": definitions})
    state = definitions["State"]["properties"]
    assert set(state["tracking"]["enum"]) == {str(tracking) for tracking in Tracking}
    assert set(state["radio"]["properties"]["state"]["enum"]) == {str(one) for one in LinkState}
    assert state["schema"]["const"] == messages.SCHEMA


# --- the page's types -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("schema", "expected"),
    [
        ({}, "unknown"),
        ({"type": "integer"}, "number"),
        ({"type": ["number", "null"]}, "number | null"),
        ({"enum": ["on", 2]}, '"on" | 2'),
        ({"const": True}, "true"),
        ({"$ref": "#/$defs/Dial"}, "Dial"),
        ({"type": "array", "items": {"type": ["string", "null"]}}, "Array<string | null>"),
        ({"type": "object"}, "Record<string, unknown>"),
        ({"type": "object", "additionalProperties": {"type": "string"}}, "Record<string, string>"),
        (
            {
                "type": "object",
                "additionalProperties": False,
                "required": ["a"],
                "properties": {"a": {"type": "boolean"}, "b": {"type": "null"}},
            },
            "{ a: boolean; b?: null }",
        ),
    ],
)
def test_a_schema_as_a_type(schema: dict[str, Any], expected: str) -> None:
    assert type_of(schema) == expected


def test_every_message_has_a_type() -> None:
    types = declarations(json.loads(SCHEMA.read_text()))
    for name in ("State", "Info", "Outlook", "Trace", "Skeds", "Tonight", "Log", "Event", "Reply"):
        assert f"\n  type {name} = " in types


def test_what_stands_in_for_a_daemon_publishes_the_same() -> None:
    for name, message in (
        ("Info", standin.INFO),
        ("State", standin.STATE),
        ("Outlook", standin.OUTLOOK),
        ("Tonight", standin.tonight()),
        ("Skeds", standin.SKEDS),
        ("Log", standin.LOG),
    ):
        assert mistakes(name, message) == []
