"""What the log of dial steps holds: sets, dials moved by something else, caches, a new radio."""

from __future__ import annotations

from moontrim.rig.steplog import CACHED_S, CAPACITY, DialStep, StepLog

T0 = 1_795_000_000.0


def test_a_set_moves_where_the_driver_says() -> None:
    log = StepLog()
    log.was_set({"rx": 101, "tx": None}, T0, T0 + 0.02, 0.25, planned_utc_s=T0 + 0.01)
    assert log.take() == [DialStep("rx", 101, T0 + 0.01, T0, T0 + 0.005, T0 + 0.02)]
    assert log.take() == []


def test_a_readback_that_shows_what_was_set_adds_nothing() -> None:
    log = StepLog()
    log.was_set({"rx": 101, "tx": 201}, T0, T0 + 0.02, 0.5)
    log.take()
    log.was_read({"rx": 101, "tx": 201}, T0 + 0.02)
    log.was_read({"rx": 101, "tx": None}, T0 + 0.5)
    assert log.take() == []


def test_the_first_reading_is_a_step() -> None:
    log = StepLog()
    log.was_read({"rx": 101, "tx": None}, T0)
    assert log.take() == [DialStep("rx", 101, None, T0, T0, T0)]


def test_a_dial_turned_by_hand_moved_between_two_readings() -> None:
    log = StepLog()
    log.was_read({"rx": 101, "tx": 201}, T0)
    log.take()
    log.was_read({"rx": 105, "tx": 201}, T0 + 0.5)
    assert log.take() == [DialStep("rx", 105, None, T0, T0 + 0.25, T0 + 0.5)]


def test_a_cache_that_shows_the_dial_as_it_was_is_no_step() -> None:
    log = StepLog()
    log.was_read({"rx": 100, "tx": None}, T0)
    log.was_set({"rx": 101, "tx": None}, T0 + 1.0, T0 + 1.02, 0.5)
    log.take()
    log.was_read({"rx": 100, "tx": None}, T0 + 1.02)
    log.was_read({"rx": 101, "tx": None}, T0 + 1.3)
    assert log.take() == []
    log.was_read({"rx": 100, "tx": None}, T0 + 1.02 + CACHED_S)
    (back,) = log.take()
    assert back.dial_hz == 100, "later it is where the dial really is"


def test_a_set_that_was_ignored_is_followed_by_where_the_dial_is() -> None:
    log = StepLog()
    log.was_set({"rx": 107, "tx": None}, T0, T0 + 0.02, 0.5)
    log.was_read({"rx": 110, "tx": None}, T0 + 0.02)
    assert [step.dial_hz for step in log.take()] == [107, 110]


def test_a_radio_that_answers_again_is_noted_anew() -> None:
    log = StepLog()
    log.was_read({"rx": 101, "tx": None}, T0)
    log.forget()
    log.was_read({"rx": 101, "tx": None}, T0 + 60.0)
    assert [step.moved_utc_s for step in log.take()] == [T0, T0 + 60.0]


def test_a_clock_set_back_makes_no_step_end_before_it_began() -> None:
    log = StepLog()
    log.was_read({"rx": 101, "tx": None}, T0)
    log.was_read({"rx": 102, "tx": None}, T0 - 5.0)
    last = log.take()[-1]
    assert last.sent_utc_s <= last.moved_utc_s <= last.confirmed_utc_s


def test_without_a_journal_the_newest_stay() -> None:
    log = StepLog()
    for number in range(CAPACITY + 5):
        log.was_set({"rx": number, "tx": None}, T0 + number, T0 + number, 0.5)
    steps = log.take()
    assert len(steps) == CAPACITY and steps[-1].dial_hz == CAPACITY + 4
