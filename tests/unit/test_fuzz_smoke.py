"""Every surface fuzzed: no parser lets anything out but its own error, whatever comes in.

Each surface gets 2 s, in CI 30 s, with MOONTRIM_LONG=1 300 s. The seed is fixed, so that the same
inputs come in the same order everywhere; a failure prints its input and how to play it again.
`tests/fuzz/run.py` runs as long as you like, with other seeds."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from fuzz.pages import close_loop
from fuzz.peer import Peer
from fuzz.runner import run, save
from fuzz.target import DefectError, Target
from fuzz.targets import SURFACES, TARGETS
from moontrim.share import answers, connection, protocol, server, sharedradio
from moontrim.share.actions import Reply
from support.effort import effort
from support.politely import politely

SECONDS = effort(2.0, 30.0, 300.0)  # shared equally by the targets of the surface
SEED = 1


@pytest.fixture(scope="module", autouse=True)
def quiet() -> Iterator[None]:
    """Refusals are logged by the thousand."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)
    close_loop()


@pytest.mark.timeout(60.0 + 10.0 * SECONDS)  # of a machine that does other things as well
@pytest.mark.parametrize("surface", SURFACES)
def test_survives(surface: str) -> None:
    """The seeds, and what the seeded damage makes of them while the time lasts."""
    names = SURFACES[surface]
    for name in names:
        with politely():
            outcome = run(TARGETS[name], seed=SEED, seconds=SECONDS / len(names), runs=None)
        print(outcome.line())
        assert not outcome.defect, save(outcome)
        assert outcome.runs > len(TARGETS[name].seeds), "too slow to have tested anything"


def test_each_target_belongs_to_one_surface() -> None:
    assert sorted(name for names in SURFACES.values() for name in names) == sorted(TARGETS)


# --- what finds defects ---------------------------------------------------------------------------


def _fails_on_semicolon(data: bytes) -> None:
    if b";" in data:
        raise DefectError("a semicolon")


def _never_ends(data: bytes) -> None:
    while True:
        pass


def _never_ends_and_catches(data: bytes) -> None:
    for _ in range(3):
        try:
            _never_ends(data)
        except Exception:
            continue


def test_the_same_seed_finds_the_same_defect() -> None:
    target = Target("test", _fails_on_semicolon, (b"abc", b"defgh"), (b";",))
    first, second = (run(target, seed=7, seconds=10.0, runs=None) for _ in range(2))
    assert "a semicolon" in first.defect
    assert first.failure is not None and first.failure == second.failure
    assert first.runs == second.runs


@pytest.mark.parametrize("target", [_never_ends, _never_ends_and_catches])
def test_an_endless_loop_is_a_defect(
    target: Callable[[bytes], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fuzz.runner.LONGEST_S", 0.1)
    outcome = run(Target("test", target, (b"x",)), seed=1, seconds=10.0, runs=None)
    assert "processor time" in outcome.defect and outcome.runs == 1


def test_a_run_is_timed_by_the_clock_an_input_by_the_processor(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Another program's time is not taken for an input's."""
    now_s = iter(float(n) for n in range(1000))
    monkeypatch.setattr("fuzz.runner.time.monotonic", lambda: next(now_s))
    monkeypatch.setattr("fuzz.runner.time.process_time", lambda: 1e9)
    outcome = run(Target("test", lambda data: None, (b"x",)), seed=1, seconds=20.0, runs=None)
    assert outcome.runs == 21 and outcome.slowest_s == 0.0


# --- a share that is broken -----------------------------------------------------------------------


def _nothing(*given: Any) -> None:
    pass


def _endless(self: protocol.LineBuffer) -> bytes | None:
    end = self.waiting.find(b"\n")
    if end < 0:
        return None
    line = bytes(self.waiting[:end])
    del self.waiting[: end + 1]
    return line


def _no_number(*given: Any) -> Reply:
    return Reply(values=("nan",))


def _answers_twice(command: protocol.ClientCommand, code: int, values: Any = ()) -> bytes:
    sent = protocol.answer(command, code, values)
    return 2 * sent if command.shape.name == "get_vfo" else sent


def _swallows(command: protocol.ClientCommand, code: int, values: Any = ()) -> bytes:
    return b"" if command.arguments == ("10368201000",) else protocol.answer(command, code, values)


def _fails(*given: Any) -> Reply:
    raise KeyError("a bug")


async def _reads_on(self: connection.Client) -> int:
    self._transport.resume_reading()
    return protocol.REJECTED


async def _key_at_once(self: connection.Client) -> int:
    return protocol.OK


@pytest.mark.parametrize(
    ("owner", "name", "broken"),
    [
        (sharedradio.SharedRadio, "unkey", _nothing),
        (connection.Client, "_leave", _nothing),
        (connection.Client, "_withdrawal_waits", lambda self: False),
        (connection.Client, "_key", _key_at_once),
        (connection.Client, "pause_writing", _nothing),
        (Peer, "pause_reading", _nothing),
        (connection.Client, "_key", _reads_on),
        (server, "_is_this_machine", lambda host: True),
        (protocol.LineBuffer, "next", _endless),
        (answers, "_shown_hz", lambda *given: float("nan")),
        (connection, "answer", _answers_twice),
        (connection, "answer", _swallows),
        (connection, "decide", _fails),
    ],
    ids=[
        *("never unkeys", "does not notice the end", "late to unkey", "keys by word only"),
        *("answers without end", "reads without end", "reads on when refused", "anyone may key"),
        *("lines without end", "no frequency", "answers twice", "swallows", "fails inside"),
    ],
)
def test_a_broken_share_is_noticed(
    owner: Any, name: str, broken: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = TARGETS["share-clients"]
    monkeypatch.setattr(owner, name, broken)
    outcome = run(target, seed=SEED, seconds=None, runs=len(target.seeds) + 300)
    assert outcome.defect
