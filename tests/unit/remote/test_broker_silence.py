"""A broker that does not answer: hung, or only busy."""

import os
import signal
import subprocess
from pathlib import Path

import pytest

from moontrim.remote.broker.processoruse import processor_use
from moontrim.remote.wire.resilience import SILENT, SILENT_BUSY, SilenceJudge
from support.processor import until_state

LETTERS = {"r": True, "-": False}


@pytest.mark.parametrize(
    ("silences", "hung_at"),
    [
        ("--", 2),  # it does nothing: replaced at once
        ("r-", 2),  # what it did before the first silence says nothing
        ("rrrrrr", None),  # amid a flood, or without a processor
        ("rrr-", 4),  # it worked, and has stopped doing so
        ("r" * 12, 12),  # it turns in a circle
    ],
)
def test_what_does_nothing_is_hung_and_what_works_has_time(
    silences: str, hung_at: int | None
) -> None:
    runs = iter(LETTERS[letter] for letter in silences)
    judge = SilenceJudge(lambda: next(runs))
    verdicts = [judge.is_hung() for _ in silences]
    assert verdicts.index(True) + 1 == hung_at if hung_at else not any(verdicts)
    assert (SILENT, SILENT_BUSY) == (2, 12)


def test_an_answer_starts_the_count_again() -> None:
    judge = SilenceJudge(lambda: False)
    for _ in range(3):
        assert not judge.is_hung()
        judge.answered()


def test_processor_use_of_real_processes() -> None:
    """One that turns runs or waits to run; one that is stopped, asleep or gone does not."""
    with subprocess.Popen(("sh", "-c", "while :; do :; done")) as busy:
        first_ns, _ = processor_use(busy.pid)
        until_state(busy.pid, "R")
        assert processor_use(busy.pid)[1]
        while processor_use(busy.pid)[0] == first_ns:
            os.sched_yield()
        busy.send_signal(signal.SIGSTOP)
        until_state(busy.pid, "T")
        stopped = processor_use(busy.pid)
        assert stopped[0] > first_ns
        assert processor_use(busy.pid) == (stopped[0], False) == stopped
        busy.kill()
    assert not Path(f"/proc/{busy.pid}").exists()
    assert processor_use(busy.pid) == (0, False)
    with subprocess.Popen(("sleep", "60")) as idle:
        until_state(idle.pid, "S")
        assert not processor_use(idle.pid)[1]
        idle.kill()
