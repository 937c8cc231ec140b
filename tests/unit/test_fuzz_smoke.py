"""Every fuzz target for a second or so: no parser lets anything out but its own error, whatever
comes in. `MOONTRIM_LONG=1` runs a hundred times as long; `tests/fuzz/run.py` as long as you
like."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator

import pytest

from fuzz.runner import keep, run
from fuzz.target import DefectError, Target, close_loop
from fuzz.targets import TARGETS

SECONDS = 1.2 * (100.0 if os.environ.get("MOONTRIM_LONG") else 1.0)


@pytest.fixture(scope="module", autouse=True)
def quiet() -> Iterator[None]:
    """Refusals are logged by the thousand."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)
    close_loop()


@pytest.mark.timeout(60.0 + 2.0 * SECONDS)
@pytest.mark.parametrize("name", TARGETS)
def test_survives(name: str) -> None:
    """The seeds, and what the seeded damage makes of them while the time lasts."""
    outcome = run(TARGETS[name], seed=1, seconds=SECONDS, runs=None)
    assert not outcome.told, keep(outcome)
    assert outcome.runs > len(TARGETS[name].seeds), "too slow to have tested anything"


def _fails_on_semicolon(data: bytes) -> None:
    if b";" in data:
        raise DefectError("a semicolon")


def _never_ends(data: bytes) -> None:
    while True:
        pass


def test_the_same_seed_finds_the_same_defect() -> None:
    target = Target("test", _fails_on_semicolon, (b"abc", b"defgh"), (b";",))
    first, second = (run(target, seed=7, seconds=10.0, runs=None) for _ in range(2))
    assert "a semicolon" in first.told
    assert first.failure is not None and first.failure == second.failure
    assert first.runs == second.runs


def test_an_endless_loop_is_a_defect(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fuzz.runner.LONGEST_S", 0.1)
    outcome = run(Target("test", _never_ends, (b"x",)), seed=1, seconds=10.0, runs=None)
    assert "processor time" in outcome.told and outcome.runs == 1
