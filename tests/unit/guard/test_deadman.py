"""When the guard unkeys: instants in, reason out."""

from __future__ import annotations

from moontrim.guard.deadman import AFTER_LONGEST_S, SILENCE_S, DeadMan


def armed(longest_s: float = 90.0) -> DeadMan:
    dead_man = DeadMan()
    dead_man.arm(100.0, longest_s)
    return dead_man


def test_not_armed_it_waits_for_ever() -> None:
    dead_man = DeadMan()
    assert dead_man.reason(1e9) == "" and dead_man.wait_s(1e9) is None


def test_silence_unkeys() -> None:
    dead_man = armed()
    assert dead_man.wait_s(100.0) == SILENCE_S
    assert dead_man.reason(100.0 + SILENCE_S - 0.01) == ""
    assert "did not run" in dead_man.reason(100.0 + SILENCE_S)
    dead_man.beat(100.4)
    assert dead_man.reason(100.0 + SILENCE_S) == ""


def test_the_longest_over_unkeys_in_spite_of_beats() -> None:
    dead_man = armed(longest_s=10.0)
    end_s = 110.0 + AFTER_LONGEST_S
    dead_man.beat(end_s - 0.1)
    assert dead_man.reason(end_s - 0.01) == ""
    assert "limit of 10 s" in dead_man.reason(end_s)


def test_disarmed_it_is_over() -> None:
    dead_man = armed()
    dead_man.disarm()
    assert dead_man.reason(1e9) == "" and dead_man.wait_s(1e9) is None


def test_after_unkeying_a_daemon_that_runs_again_is_watched_again() -> None:
    dead_man = armed()
    dead_man.disarm()
    dead_man.beat(103.0)
    assert dead_man.reason(103.0) == ""
    assert "did not run" in dead_man.reason(103.0 + SILENCE_S)
