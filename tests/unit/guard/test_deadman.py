"""When the guard unkeys: instants in, reason out."""

from __future__ import annotations

import pytest

from moontrim.guard.deadman import AFTER_LONGEST_S, MOST_WAITED_S, SILENCE_S, DeadMan


def armed(longest_s: float = 90.0) -> DeadMan:
    dead_man = DeadMan()
    dead_man.arm(100.0, 0.0, longest_s)
    return dead_man


def test_not_armed_it_waits_for_ever() -> None:
    dead_man = DeadMan()
    assert dead_man.reason(1e9, 0.0) == "" and dead_man.wait_s(1e9, 0.0) is None


def test_silence_unkeys() -> None:
    dead_man = armed()
    assert dead_man.wait_s(100.0, 0.0) == SILENCE_S
    assert dead_man.reason(100.0 + SILENCE_S - 0.01, 0.0) == ""
    assert "did not run" in dead_man.reason(100.0 + SILENCE_S, 0.0)
    dead_man.beat(100.4, 0.0)
    assert dead_man.reason(100.0 + SILENCE_S, 0.0) == ""


def test_the_longest_over_unkeys_in_spite_of_beats() -> None:
    dead_man = armed(longest_s=10.0)
    end_s = 110.0 + AFTER_LONGEST_S
    dead_man.beat(end_s - 0.1, 0.0)
    assert dead_man.reason(end_s - 0.01, 0.0) == ""
    assert "limit of 10 s" in dead_man.reason(end_s, 0.0)


def test_disarmed_it_is_over() -> None:
    dead_man = armed()
    dead_man.disarm()
    assert dead_man.reason(1e9, 0.0) == "" and dead_man.wait_s(1e9, 0.0) is None


def test_after_unkeying_a_daemon_that_runs_again_is_watched_again() -> None:
    dead_man = armed()
    dead_man.disarm()
    dead_man.beat(103.0, 0.0)
    assert dead_man.reason(103.0, 0.0) == ""
    assert "did not run" in dead_man.reason(103.0 + SILENCE_S, 0.0)


def test_waiting_for_a_processor_is_no_silence_for_a_while() -> None:
    dead_man = armed()
    dead_man.beat(101.0, 5.0)
    assert dead_man.reason(101.6, 5.2) == "", "0.2 s of it waited"
    assert dead_man.wait_s(101.6, 5.2) == pytest.approx(0.1)
    assert "did not run" in dead_man.reason(101.6, 5.0)
    assert dead_man.reason(101.8, 6.0) == ""
    late_s = 101.0 + SILENCE_S + MOST_WAITED_S
    assert "did not run for 0.9 s" in dead_man.reason(late_s + 1e-9, 9.0), "not for ever"
    assert late_s - 101.0 < 0.9, "the radio must be unkeyed within 1 s"


def test_what_was_waited_before_the_beat_does_not_count() -> None:
    dead_man = armed()
    dead_man.beat(101.0, 50.0)
    assert "did not run" in dead_man.reason(101.0 + SILENCE_S, 50.0)
    assert "did not run" in dead_man.reason(101.0 + SILENCE_S, 49.0), "a thread has ended"
