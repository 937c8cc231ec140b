"""Snapshots in, records out."""

import math
from typing import Any

from moontrim.clock.virtual import VirtualClock
from moontrim.journal.records import (
    CommandRecord,
    ContextRecord,
    FaultRecord,
    Record,
    Second,
    SessionEnd,
    clean,
)
from moontrim.keying.sequence import Phase
from moontrim.keying.view import KeyingView
from moontrim.state.snapshot import Fault as Trouble
from moontrim.state.snapshot import Tracking
from moontrim.tracking.commandlog import CAPACITY, CommandLog
from support.journals import SKED_HZ, T0, dial, recorder, snapshot


def of(kind: type[Any], records: list[Record]) -> list[Any]:
    return [record for record in records if isinstance(record, kind)]


def test_a_tick_is_a_second_and_what_comes_between_is_not() -> None:
    recording = recorder()
    records = recording.take(snapshot(T0, 1))
    records += recording.take(snapshot(T0, 1)._replace(utc_s=T0 + 0.2))
    records += recording.take(snapshot(T0 + 1, 2, late_s=0.25), clock_bound_s=0.0123)
    first, second = of(Second, records)
    assert (first.utc_s, second.utc_s) == (T0, T0 + 1)
    assert (first.at_us, second.at_us) == (-299_000, -50_000)
    assert (first.lateness_ms, second.lateness_ms) == (None, 250), "the first one is due at once"
    assert (first.clock_bound_us, second.clock_bound_us) == (None, 12_300)
    assert second.numbers.rx_ideal_e4 == round(dial(T0 + 0.95).ideal_dial_hz * 1e4)
    assert len(of(ContextRecord, records)) == 1


def test_no_ticks_no_seconds_and_missed_ones_are_a_fault() -> None:
    recording = recorder()
    recording.take(snapshot(T0, 1))
    records = recording.take(snapshot(T0 + 6, 2, missed_seconds=5))
    assert [s.utc_s for s in of(Second, records)] == [T0 + 6]
    (fault,) = of(FaultRecord, records)
    assert (fault.stretch.kind, fault.stretch.text) == ("missed", "5 seconds missed")
    assert (fault.stretch.from_utc_s, fault.to_utc_s) == (T0 + 1, T0 + 6)
    assert of(Second, records)[0].lateness_ms == 1, (
        "a tick after missed seconds is still on its due"
    )


def test_a_changed_choice_is_a_new_context_from_that_moment() -> None:
    recording = recorder()
    recording.take(snapshot(T0, 1))
    between = snapshot(T0, 1)._replace(utc_s=T0 + 0.4, sked_hz=SKED_HZ + 50)
    (context,) = of(ContextRecord, recording.take(between))
    assert context.from_utc_s == T0 + 0.4 and context.choice.sked_hz == SKED_HZ + 50
    (second,) = of(Second, recording.take(snapshot(T0 + 1, 2, sked_hz=SKED_HZ + 50)))
    assert second.context is context


def test_stretches_off_frequency_begin_and_end() -> None:
    recording = recorder()
    recording.take(snapshot(T0, 1))
    lost: dict[str, Any] = {
        "tracking": Tracking.NO_CONTACT,
        "reason": "silent",
        "rx": None,
        "moon": None,
    }
    records = recording.take(snapshot(T0, 1)._replace(utc_s=T0 + 0.1, **lost))
    (begun,) = of(FaultRecord, records)
    assert (begun.stretch.kind, begun.stretch.text) == ("tracking:no contact with radio", "silent")
    assert begun.to_utc_s is None
    records = recording.take(snapshot(T0 + 1, 2, **lost))
    assert of(FaultRecord, records) == []
    (second,) = of(Second, records)
    assert second.numbers[:3] == (None, None, None) and second.numbers.elevation_e3 is None
    (ended,) = of(FaultRecord, recording.take(snapshot(T0 + 2, 3)))
    assert ended.stretch is begun.stretch and ended.to_utc_s == T0 + 2 - 0.299
    for well in (Tracking.HELD_KEYED, Tracking.PAUSED):
        assert of(FaultRecord, recording.take(snapshot(T0 + 3, 4, tracking=well))) == []


def test_start_up_is_no_fault_but_a_later_wait_is() -> None:
    recording = recorder()
    starting: dict[str, Any] = {"tracking": Tracking.STARTING, "reason": "nothing planned yet"}
    first = snapshot(T0, 1)._replace(**starting)
    assert of(FaultRecord, recording.take(first)) == []
    assert of(FaultRecord, recording.take(snapshot(T0 + 1, 2))) == []
    (later,) = of(FaultRecord, recording.take(snapshot(T0 + 2, 3)._replace(**starting)))
    assert later.stretch.kind == f"tracking:{Tracking.STARTING}"


def test_events_once_each_and_the_end_ends_what_is_open() -> None:
    """Also those that came between two snapshots, and none again in another session."""
    recording = recorder()
    one, two, three = (Trouble(T0 - 0.5 + k, f"trouble {k}") for k in range(3))
    off: dict[str, Any] = {"tracking": Tracking.OFF_FREQUENCY}
    records = recording.take(snapshot(T0, 1, faults=(one,), **off))
    records += recording.take(snapshot(T0 + 1, 2, faults=(one,), **off))
    records += recording.take(snapshot(T0 + 2, 3, faults=(one, two, three), **off))
    recording.begin(T0 + 2.5, "{}")
    records += recording.take(snapshot(T0 + 3, 4, faults=(one, two, three), **off))
    events = [f for f in of(FaultRecord, records) if f.stretch.kind == "event"]
    assert [(f.stretch.from_utc_s, f.to_utc_s, f.stretch.text) for f in events] == [
        (trouble.at_utc_s, trouble.at_utc_s, trouble.text) for trouble in (one, two, three)
    ]
    closed, end = recording.end(T0 + 4.0)
    assert isinstance(closed, FaultRecord) and closed.to_utc_s == T0 + 4.0
    assert isinstance(end, SessionEnd) and end.ended_utc_s == T0 + 4.0


def test_a_clock_set_back_begins_a_new_session() -> None:
    """Else an hour of seconds would be taken for ones already written."""
    recording = recorder()
    before = recording.session
    recording.take(snapshot(T0 + 3600, 1))
    records = recording.take(snapshot(T0 + 1, 2))
    (end,) = of(SessionEnd, records)
    assert end.session is before and end.ended_utc_s == T0 + 3600 - 0.299
    (second,) = of(Second, records)
    assert second.session is recording.session is not before
    assert second.lateness_ms is None
    assert of(FaultRecord, records) == []
    forward = recording.take(snapshot(T0 + 9000, 3))
    assert of(SessionEnd, forward) == [] and of(Second, forward)[0].lateness_ms is None


def test_keying_and_odd_numbers() -> None:
    recording = recorder()
    odd = dial(T0)._replace(ideal_dial_hz=math.nan, dial_hz=10**30, correction_hz=math.inf)
    odd_snapshot = snapshot(T0, 1, rx=odd, keying=KeyingView(Phase.KEYED), transmitting=None)
    (second,) = of(Second, recording.take(odd_snapshot, math.inf))
    assert second.numbers[:3] == (None, None, None) and second.numbers.transmitting is None
    assert second.keying is Phase.KEYED and second.clock_bound_us is None


def test_notes_become_commands() -> None:
    clock = VirtualClock(T0)
    notes = CommandLog(clock.utc_s)
    notes.note("phone", "sked 1 Hz", "sked_hz: invalid value 1")
    notes.note("dial", "sked 10 368 100 000 Hz")
    recording = recorder()
    refused, done = recording.commands(notes.after(0))
    assert isinstance(refused, CommandRecord) and isinstance(done, CommandRecord)
    assert (refused.by, refused.outcome) == ("phone", "sked_hz: invalid value 1")
    assert (done.at_utc_s, done.outcome) == (T0, "done")
    assert notes.after(notes.count) == []
    for n in range(CAPACITY + 5):
        notes.note("phone", str(n))
    taken = notes.after(2)
    assert len(taken) == CAPACITY and taken[-1].what == str(CAPACITY + 4)


def test_every_reader_gets_all_notes() -> None:
    notes = CommandLog(VirtualClock(T0).utc_s)
    read: list[list[str]] = [[], []]
    counts = [0, 0]
    for n in range(30):
        notes.note("phone", str(n))
        for reader, every in enumerate((1, 7)):  # the second one is slow
            if n % every == 0:
                read[reader] += [note.what for note in notes.after(counts[reader])]
                counts[reader] = notes.count
    assert read[0] == [str(n) for n in range(30)]
    assert read[1] == [str(n) for n in range(29)]


def test_texts_are_fit_for_a_disk() -> None:
    assert clean("\ud800 x").encode() == b"? x"
    assert len(clean("x" * 10_000)) == 500
