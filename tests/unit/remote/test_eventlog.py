"""The log of the page: what has happened, by whom, and how long it lasted."""

import json
from collections.abc import Iterator
from typing import Any

import pytest

from moontrim.keying.sequence import Phase
from moontrim.keying.view import KeyingView
from moontrim.remote.broker.configfile import LARGEST_PACKET
from moontrim.remote.published.eventlog import MOST_EVENTS, OLDEST_S, EventLog
from moontrim.remote.published.messages import encode
from moontrim.state.snapshot import Fault, Snapshot, Tracking
from moontrim.tracking.commandlog import CommandNote
from support.snapshots import WELL

T0 = WELL.utc_s


def events(log: EventLog) -> list[dict[str, Any]]:
    message = json.loads(encode(log.message()))
    assert set(message) == {"events"}
    for event in message["events"]:
        assert set(event) == {"at_ms", "kind", "by", "text", "lasted_s"}
    return list(message["events"])


def shown(log: EventLog) -> list[tuple[str, str, str, float | None]]:
    return [(e["kind"], e["by"], e["text"], e["lasted_s"]) for e in events(log)]


def at(second: float, **changes: Any) -> Snapshot:
    return WELL._replace(utc_s=T0 + second, **changes)


def test_commands_refusals_and_the_agenda() -> None:
    log = EventLog()
    log.add(
        WELL,
        [
            CommandNote(T0, "phone", "band 10 GHz", "done"),
            CommandNote(T0 + 1, "share", "transmit", "not keyed: transmit is inhibited"),
            CommandNote(T0 + 2, "share", "transmit", "done"),
            CommandNote(T0 + 3, "agenda", "sked north", "done"),
            CommandNote(T0 + 4, "agenda", "sked south", "transmitting: unkey first"),
            CommandNote(T0 + 5, "guard", "unkey", "the daemon hung; radio unkeyed"),
        ],
    )
    assert shown(log) == [
        ("command", "phone", "band 10 GHz", None),
        ("refused", "share", "transmit: not keyed: transmit is inhibited", None),
        ("agenda", "", "sked north", None),
        ("agenda", "", "sked south: transmitting: unkey first", None),
        ("fault", "guard", "the daemon hung; radio unkeyed", None),
        ("tracking", "", "on frequency", None),
    ]
    assert events(log)[1]["at_ms"] == (T0 + 1) * 1000


def test_a_fault_shows_at_once_and_how_long_it_lasted_at_its_end() -> None:
    log = EventLog()
    log.add(WELL)
    log.add(at(10, tracking=Tracking.NO_CONTACT, reason="no answer"))
    fault = ("fault", "", "no contact with radio: no answer", None)
    assert shown(log)[-1] == fault
    log.add(at(70, tracking=Tracking.NO_CONTACT, reason="unplugged"))
    assert shown(log)[-1] == fault, "the same fault"
    log.add(at(82.5))
    assert shown(log)[-2:] == [(*fault[:3], 72.5), ("tracking", "", "on frequency", None)]


def test_one_fault_after_the_other() -> None:
    log = EventLog()
    log.add(at(0, tracking=Tracking.STARTING))
    assert shown(log) == [], "the start is no fault"
    log.add(at(1, tracking=Tracking.NO_CONTACT))
    log.add(at(5, tracking=Tracking.STARTING))
    log.add(at(7))
    assert [(text, s) for _, _, text, s in shown(log)] == [
        ("no contact with radio", 4.0),
        ("starting", 2.0),
        ("on frequency", None),
    ]


def test_a_dial_on_its_way_is_no_fault_and_one_that_stays_away_is() -> None:
    log = EventLog()
    log.add(WELL)
    for second in (10, 20, 30):
        log.add(at(second, tracking=Tracking.OFF_FREQUENCY, reason="receive dial is 900 Hz off"))
        log.add(at(second + 1.0))
    assert [kind for kind, *_ in shown(log)] == ["tracking"]
    log.add(at(40, tracking=Tracking.OFF_FREQUENCY))
    log.add(at(50))
    assert shown(log)[1:] == [
        ("fault", "", "off frequency", 10.0),
        ("tracking", "", "on frequency", None),
    ]


def test_states_that_are_no_fault() -> None:
    log = EventLog()
    log.add(WELL)
    log.add(at(1, tracking=Tracking.HELD_KEYED, reason="the dial is left alone"))
    log.add(at(2))
    log.add(at(3, tracking=Tracking.MOON_TOO_LOW, reason="Moon at -1.0 degrees at home"))
    log.add(at(4, tracking=Tracking.PAUSED))
    assert [(kind, text) for kind, _, text, _ in shown(log)] == [
        ("tracking", "on frequency"),
        ("tracking", "Moon too low: Moon at -1.0 degrees at home"),
        ("tracking", "paused"),
    ]


def keyed(second: float, state: Phase, who: str = "", **more: Any) -> Snapshot:
    return at(second, keying=KeyingView(state, who, T0 + second, **more), transmitting=None)


def test_an_over_is_one_event() -> None:
    log = EventLog()
    log.add(WELL)
    log.add(keyed(1, Phase.KEYING, "share"))
    log.add(keyed(2, Phase.KEYED, "share"))
    assert shown(log)[-1] == ("keying", "share", "keyed", None)
    log.add(keyed(50, Phase.RELEASING, "share"))
    log.add(keyed(51, Phase.RELEASED))
    assert shown(log)[-1] == ("keying", "share", "keyed", 50.0)
    log.add(keyed(60, Phase.KEYED, "share"))
    log.add(keyed(61, Phase.RELEASED, reasons=("no contact with radio",)))
    assert shown(log)[-1] == ("keying", "share", "keyed; ended: no contact with radio", 1.0)


def test_an_over_keyed_by_something_else() -> None:
    log = EventLog()
    released = KeyingView(Phase.RELEASED, since_utc_s=T0)
    log.add(at(0.5, keying=released, transmitting=True))
    assert [kind for kind, *_ in shown(log)] == ["tracking"], "a report from before the end of ours"
    log.add(at(5, keying=released, transmitting=True))
    log.add(at(35, keying=released, transmitting=False))
    assert shown(log)[-1] == ("keying", "", "transmitting, keyed by other means", 30.0)


def test_a_key_that_is_stuck() -> None:
    log = EventLog()
    log.add(keyed(0, Phase.RELEASING, stuck=("radio: no answer",)))
    assert ("fault", "", "cannot unkey: radio: no answer", None) in shown(log)
    log.add(keyed(20, Phase.RELEASED))
    assert ("fault", "", "cannot unkey: radio: no answer", 20.0) in shown(log)


def test_the_same_again_makes_it_longer() -> None:
    log = EventLog()
    for second in range(0, 100, 10):
        log.add(at(second), [CommandNote(T0 + second, "share", "transmit", "not keyed: no")])
    faults = ()
    for second in (200, 201, 202):
        faults = (*faults, Fault(T0 + second, "radio: unplugged"))
        log.add(at(second, faults=faults))
    log.add(at(300), [CommandNote(T0 + 300, "share", "transmit", "not keyed: no")])
    assert [(kind, s) for kind, _, _, s in shown(log)] == [
        ("refused", 90.0),
        ("tracking", None),
        ("fault", 2.0),
        ("refused", None),
    ]


def a_busy_night(hours: float) -> Iterator[Snapshot]:
    """An over every other minute, a fault every hour."""
    for minute in range(int(hours * 60)):
        second = 60.0 * minute
        if minute % 2:
            yield keyed(second, Phase.KEYED, "share")
        else:
            yield keyed(second, Phase.RELEASED)
        if minute % 60 == 30:
            yield at(second + 10, tracking=Tracking.NO_CONTACT)
            yield at(second + 20)


def test_it_is_bounded_and_overs_displace_no_faults() -> None:
    log = EventLog()
    for now in a_busy_night(8.0):
        log.add(now)
        assert len(log._events) <= MOST_EVENTS
    latest = shown(log)
    assert len(latest) == MOST_EVENTS
    assert sum(text == "no contact with radio" for _, _, text, _ in latest) == 8
    times = [event["at_ms"] for event in events(log)]
    assert times == sorted(times)


def test_what_is_old_goes_and_what_lasts_stays() -> None:
    log = EventLog()
    log.add(at(0), [CommandNote(T0, "phone", "band 10 GHz", "done")])
    log.add(at(1, tracking=Tracking.NO_CONTACT))
    log.message()
    log.add(at(OLDEST_S + 5, tracking=Tracking.NO_CONTACT))
    assert log.changed
    assert shown(log) == [("fault", "", "no contact with radio", None)]


@pytest.mark.parametrize("letter", ["x", "\u00e9", "\U0001f315"])
def test_any_text_fits_the_largest_packet(letter: str) -> None:
    log = EventLog()
    notes = [CommandNote(T0 + n, letter * 300, letter * 900, "done") for n in range(200)]
    log.add(at(300), notes)
    message = encode(log.message())
    assert len(message) < LARGEST_PACKET - 200
    assert len(json.loads(message)["events"]) >= 5


def test_it_says_whether_there_is_something_new() -> None:
    log = EventLog()
    assert not log.changed
    log.add(WELL)
    assert log.changed
    log.message()
    for second in range(1, 100):
        log.add(at(second))
        assert not log.changed
