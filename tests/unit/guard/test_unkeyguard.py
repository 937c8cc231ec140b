"""The daemon's side of the guard, with the real process: what it takes to be armed, and what ends
an over. The radio is a pipe."""

from __future__ import annotations

import asyncio
import os
import signal
import time
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import psutil  # type: ignore[import-untyped]
import pytest

from moontrim.clock.system import SystemClock
from moontrim.guard import unkeyguard
from moontrim.guard.unkeyguard import NO_ANSWER_S, GuardError, UnkeyGuard
from moontrim_drivers.emergencyunkey import EmergencyUnkey
from support.processor import within


class SleepyClock(SystemClock):
    """The machine's clock, of a machine that has been suspended for so long besides."""

    slept_s = 0.0

    def suspended_s(self) -> float:
        return super().suspended_s() + self.slept_s


class Bench:
    """A guard, and the daemon around it."""

    def __init__(self) -> None:
        self.clock = SleepyClock()
        self.radio, self.port = os.pipe()
        os.set_blocking(self.radio, False)
        self.how: EmergencyUnkey | None = EmergencyUnkey(b"RX;", descriptor=self.port)
        self.answers = True
        self.turns = True
        self.round = 0
        self.notes: list[str] = []
        self.ends: list[tuple[str, bool]] = []
        self.guard = UnkeyGuard(
            self.clock,
            describe=lambda: self.how,
            connected=lambda: self.answers,
            rounds=self.rounds,
            longest_s=60.0,
            note=self.notes.append,
            ended=lambda reason, touched: self.ends.append((reason, touched)),
        )

    def rounds(self) -> int:
        self.round += self.turns
        return self.round

    def process(self) -> psutil.Process:
        for child in psutil.Process().children():
            if "moontrim.guard.process" in child.cmdline():
                return child
        raise AssertionError("no guard process")

    def sent(self) -> bytes:
        try:
            return os.read(self.radio, 1000)
        except BlockingIOError:
            return b""

    async def until(self, what: Callable[[], object], within_s: float = 10.0) -> None:
        async with within(within_s):
            while not what():
                await asyncio.sleep(0.02)


def bench(scene: Callable[[Bench], Coroutine[Any, Any, None]]) -> None:
    async def main() -> None:
        made = Bench()
        running = asyncio.create_task(made.guard.run())
        try:
            await scene(made)
        finally:
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)
            os.close(made.radio)
            os.close(made.port)

    asyncio.run(main())


async def armed(b: Bench) -> None:
    """The first attempt may come before the process has started on a busy machine."""
    async with within(20.0):
        while True:
            try:
                return await b.guard.arm()
            except GuardError:
                await asyncio.sleep(0.1)


def test_armed_and_disarmed_nothing_is_sent() -> None:
    async def scene(b: Bench) -> None:
        await armed(b)
        await asyncio.sleep(1.5)
        assert (b.guard.doubt(), b.ends, b.sent()) == ("", [], b"")
        b.guard.disarm()
        await asyncio.sleep(0.8)
        assert (b.guard.doubt(), b.ends, b.sent()) == ("", [], b"")

    bench(scene)


def test_a_beat_needs_a_round_of_the_keying_task() -> None:
    async def scene(b: Bench) -> None:
        await armed(b)
        b.turns = False
        began_s = time.monotonic()
        await b.until(b.sent)
        assert time.monotonic() - began_s < 1.0
        await b.until(lambda: b.ends)
        assert b.ends[0][1], "the connection is opened anew"
        assert "did not run" in b.guard.doubt()

    bench(scene)


def test_a_loop_that_hung_finds_it_out_by_itself() -> None:
    async def scene(b: Bench) -> None:
        await armed(b)
        time.sleep(0.9)
        assert "did not run for 0.9 s" in b.guard.doubt() or "did not run for 1" in b.guard.doubt()
        assert len(b.ends) == 1
        assert b.sent().startswith(b"RX;")
        b.guard.disarm()
        await armed(b)
        assert b.guard.doubt() == "", "the next over is a new one"

    bench(scene)


def test_a_machine_that_was_suspended_ends_the_over() -> None:
    async def scene(b: Bench) -> None:
        await armed(b)
        b.clock.slept_s = 600.0
        assert "did not run for 600" in b.guard.doubt()
        await b.until(b.sent)

    bench(scene)


def test_that_nothing_keeps_the_machine_awake_is_logged_once(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", "/nonexistent")
    caplog.set_level("INFO")

    async def scene(b: Bench) -> None:
        for _ in range(2):
            await armed(b)
            await asyncio.sleep(0.5)
            assert b.guard.doubt() == "", "keying goes on"
            b.guard.disarm()
            await asyncio.sleep(0.2)

    bench(scene)
    lines = [record.message for record in caplog.records if "suspending" in record.message]
    assert len(lines) == 1 and "systemd-inhibit is not installed" in lines[0]


def test_a_guard_that_is_killed_ends_the_over_and_is_started_anew() -> None:
    async def scene(b: Bench) -> None:
        await armed(b)
        process = b.process()
        process.kill()
        await b.until(lambda: b.ends)
        assert "the guard process has ended (exit code -9)" in b.guard.doubt()
        assert not b.ends[0][1], "the connection to the radio is as it was"
        b.guard.disarm()
        assert "has ended" in b.guard.doubt() and "has ended" in b.guard.warnings()[0]
        await armed(b)
        assert b.process().pid != process.pid
        assert b.guard.doubt() == "" and b.guard.warnings() == ()

    bench(scene)


def test_a_guard_that_is_stopped_ends_the_over_and_is_replaced() -> None:
    async def scene(b: Bench) -> None:
        await armed(b)
        process = b.process()
        process.send_signal(signal.SIGSTOP)
        began_s = time.monotonic()
        await b.until(lambda: b.ends)
        assert NO_ANSWER_S - 0.2 < time.monotonic() - began_s < NO_ANSWER_S + 1.5
        assert "did not answer" in b.guard.doubt()
        b.guard.disarm()
        await armed(b)
        assert b.process().pid != process.pid

    bench(scene)


def test_a_guard_that_is_stopped_before_is_not_armed() -> None:
    async def scene(b: Bench) -> None:
        await armed(b)
        b.guard.disarm()
        b.process().send_signal(signal.SIGSTOP)
        with pytest.raises(GuardError, match="did not answer within"):
            await b.guard.arm()
        await armed(b)

    bench(scene)


def test_one_that_cannot_be_started_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise OSError(12, "Cannot allocate memory")

    monkeypatch.setattr(unkeyguard, "GuardChild", fails)

    async def scene(b: Bench) -> None:
        await b.until(lambda: b.notes)
        assert "Cannot allocate memory" in b.guard.doubt()
        with pytest.raises(GuardError):
            await b.guard.arm()
        await asyncio.sleep(2.5)
        assert len(b.notes) == 1, "said once"

    bench(scene)


def test_without_a_way_to_unkey_it_there_is_no_key() -> None:
    async def scene(b: Bench) -> None:
        b.how = None
        assert "no guard" in b.guard.doubt() and "no guard" in b.guard.warnings()[0]
        with pytest.raises(GuardError, match="no guard"):
            await b.guard.arm()
        b.answers = False
        with pytest.raises(GuardError, match="no contact with radio"):
            await b.guard.arm()

    bench(scene)


def test_a_radio_that_is_lost_is_unkeyed_and_the_port_let_go() -> None:
    async def scene(b: Bench) -> None:
        await armed(b)
        b.answers = False
        await b.until(b.sent)
        process = b.process()
        await b.until(lambda: not holds_pipe(process, b), 3.0)

    bench(scene)


def holds_pipe(process: psutil.Process, b: Bench) -> bool:
    wanted = Path(f"/proc/self/fd/{b.port}").readlink()
    return any(file.readlink() == wanted for file in Path(f"/proc/{process.pid}/fd").iterdir())


def test_what_the_daemon_cannot_the_guard_does() -> None:
    async def scene(b: Bench) -> None:
        await armed(b)
        b.guard.unkey("moontrim could not unkey the radio")
        await b.until(b.sent)
        await b.until(lambda: b.ends)
        assert "could not unkey" in b.guard.doubt()

    bench(scene)


def test_ended_while_armed_the_process_unkeys_before_it_ends() -> None:
    made: list[Bench] = []

    async def main() -> None:
        b = Bench()
        made.append(b)
        running = asyncio.create_task(b.guard.run())
        await armed(b)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    asyncio.run(main())
    deadline_s = time.monotonic() + 3.0
    sent = b""
    while time.monotonic() < deadline_s and len(sent) < 9:
        sent += made[0].sent()
        time.sleep(0.05)
    assert sent == b"RX;" * 3
