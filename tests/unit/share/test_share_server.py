"""Clients of the share on real loopback sockets, with a daemon that is only a session and a hub:
keying, order, deadlines, limits and the end of connections."""

from __future__ import annotations

import asyncio
import dataclasses
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from typing import Any

import pytest

from moontrim.clock.system import Clock, SystemClock
from moontrim.clock.virtual import VirtualClock
from moontrim.config.settings import Settings, settings_from
from moontrim.config.share import ShareSettings
from moontrim.errors import MoontrimError
from moontrim.rehearsal.rehearsal import EMBEDDED, embedded_settings
from moontrim.rig.view import LinkState, LinkView
from moontrim.session.commands import Command, SetSked
from moontrim.session.session import Session, first_session
from moontrim.share import server as server_module
from moontrim.share.protocol import read_line
from moontrim.share.server import Share
from moontrim.share.sharedradio import RigAccess
from moontrim.state.hub import StateHub
from moontrim.state.snapshot import Snapshot, Tracking
from moontrim.tracking.refusals import Refusals
from moontrim_drivers.contract import RigDetails, RigRefused, RigTimeout
from support.processor import within
from support.rigctld import free_port
from support.shared import LOW, SKED_HZ, FakeKeying, Program

READY = LinkView(LinkState.READY, "", entered=True)


class FakeDaemon:
    """Applies what it is asked at once. stuck: never answers. late: publishes only when told."""

    def __init__(self) -> None:
        self.settings = embedded_settings()
        self.session = first_session(self.settings)
        self.hub = StateHub()
        self.asked: list[Command] = []
        self.stuck = self.late = False
        self.refusals = Refusals(lambda: "", lambda: False, lambda: READY)
        self.publish()

    def publish(self, tracking: Tracking = Tracking.ON_FREQUENCY) -> None:
        given: dict[str, Any] = dict.fromkeys(Snapshot._fields)
        here = self.session.band_choices(self.settings)
        given |= {"band": self.session.band, "sked_hz": here.sked_hz, "tracking": tracking}
        given |= {"reason": "", "transmitting": False, "link": LinkView(LinkState.READY, "")}
        given |= {"tx_sked_hz": self.session.tx_sked_hz(self.settings)}
        self.hub.publish(Snapshot(**given))

    async def ask(self, command: Command) -> Session:
        self.asked.append(command)
        if self.stuck:
            await asyncio.get_running_loop().create_future()
        changed = command.apply(self.session, self.settings)
        self.refusals.check(self.session, changed, self.settings)
        self.session = changed
        if not self.late:
            self.publish()
        return self.session

    async def unsaved(self, clock: Clock) -> str:
        return ""


@dataclasses.dataclass
class Set:
    """Everything of one test."""

    daemon: FakeDaemon
    keying: FakeKeying
    port: int

    @asynccontextmanager
    async def program(self) -> AsyncIterator[Program]:
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
        try:
            yield Program(reader, writer)
        finally:
            writer.transport.abort()


def two_bands() -> Settings:
    return settings_from(EMBEDDED | {"bands": [EMBEDDED["bands"][0], LOW]}, "test")


async def shortly(what: Callable[[], bool]) -> None:
    async with within(5.0):
        while not what():
            await asyncio.sleep(0.001)


def play(
    scene: Callable[[Set], Awaitable[None]],
    *,
    keying: FakeKeying | None = None,
    rig: RigAccess | None = None,
    share: dict[str, Any] | None = None,
) -> None:
    async def main() -> None:
        ready: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        transmit, daemon = keying or FakeKeying(), FakeDaemon()
        daemon.refusals = Refusals(lambda: "", transmit.transmitting, lambda: READY)
        side = Share(
            ShareSettings.model_validate(share or {}),
            transmit=transmit,
            rig=rig,
            clock=SystemClock(),
            on_ready=ready.set_result,
            port=0,
        )
        before = asyncio.all_tasks()
        serving = asyncio.create_task(side.run(daemon))
        async with within(30.0):
            await scene(Set(daemon, transmit, await ready))
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)
        await asyncio.sleep(0)
        assert asyncio.all_tasks() == before, "nothing is left behind"
        assert not transmit.keyed and not transmit.who

    asyncio.run(main())


# --- transmitting ---------------------------------------------------------------------------------


def test_keyed_and_released() -> None:
    async def scene(s: Set) -> None:
        async with s.program() as one, s.program() as two:
            assert await one.ask("T 1") == "RPRT 0"
            assert s.keying.keyed and await two.ask("t") == "1"
            assert await two.ask("T 1") == "RPRT -9", "one at a time"
            assert await two.ask("T 0") == "RPRT 0"
            assert s.keying.keyed, "the other one's key is not ours to release"
            assert await one.ask("T 1") == "RPRT 0", "still"
            assert await one.ask("T 0 t", 2) == "RPRT 0\n0"
            assert await two.ask("T 1") == "RPRT 0"
            assert await two.ask("T 0") == "RPRT 0"
        assert s.keying.log == [
            *("raise share 1", "keyed share 1", "raise share 1", "keyed share 1"),
            *("released share 1", "raise share 2", "keyed share 2", "released share 2"),
        ]

    play(scene)


@pytest.mark.parametrize("how", ["abort", "close", "eof", "q"])
def test_gone_while_keyed(how: str) -> None:
    async def scene(s: Set) -> None:
        async with s.program() as one:
            assert await one.ask("T 1") == "RPRT 0"
            await {"abort": _abort, "close": _close, "eof": _eof, "q": _quit}[how](one)
            await shortly(lambda: not s.keying.keyed)
            assert s.keying.log[-1] == "released share 1"

    play(scene)


async def _abort(program: Program) -> None:
    program.writer.transport.abort()


async def _close(program: Program) -> None:
    program.writer.close()


async def _eof(program: Program) -> None:
    program.writer.write_eof()


async def _quit(program: Program) -> None:
    program.writer.write(b"q\n")


@pytest.mark.parametrize("how", ["abort", "close", "eof"])
def test_gone_while_the_relays_settle(how: str) -> None:
    async def scene(s: Set) -> None:
        async with s.program() as one:
            one.writer.write(b"T 1\n")
            await shortly(lambda: s.keying.who == "share 1")
            await {"abort": _abort, "close": _close, "eof": _eof}[how](one)
            await shortly(lambda: s.keying.who == "")
            assert s.keying.log == ["raise share 1", "released share 1"], "never keyed"

    play(scene, keying=FakeKeying(settle_s=20.0))


def test_withdrawn_while_the_relays_settle() -> None:
    async def scene(s: Set) -> None:
        async with s.program() as one:
            one.writer.write(b"T 1\n")
            await shortly(lambda: s.keying.who == "share 1")
            assert await one.ask("f T 0 f", 4) == f"RPRT -9\n{SKED_HZ}\nRPRT 0\n{SKED_HZ}"
            assert s.keying.log == ["raise share 1", "released share 1"], "never keyed"

    play(scene, keying=FakeKeying(settle_s=20.0))


@pytest.mark.parametrize("data", [b"T 1 T 0\n", b"T 1\nT 0\n", b"T 1\nf\n\\set_ptt 0\nf\n"])
def test_withdrawn_in_the_same_breath(data: bytes) -> None:
    async def scene(s: Set) -> None:
        async with s.program() as one:
            one.writer.write(data)
            assert await one.reader.readline() == b"RPRT -9\n"
            await one.ask("\\chk_vfo", data.count(b"f") + 2)
        assert s.keying.log == []

    play(scene)


@pytest.mark.parametrize("data", [b"T 1", b"T 1\n", b"f\nT 1\n", b"T 1\n\\chk_vfo\n"])
def test_nobody_there_any_more_to_say_stop(data: bytes) -> None:
    """Whole or cut short: whoever asks to transmit must stay."""

    async def scene(s: Set) -> None:
        async with s.program() as one:
            one.writer.write(data)
            one.writer.write_eof()
            await one.reader.read()
        assert not any("keyed" in entry for entry in s.keying.log)

    play(scene, keying=FakeKeying(settle_s=20.0))


def test_a_refusal_is_logged_with_its_reason(caplog: pytest.LogCaptureFixture) -> None:
    async def scene(s: Set) -> None:
        s.keying.refuse = "the Moon is too low"
        async with s.program() as one:
            assert await one.ask("+T 1", 2) == "set_ptt: 1\nRPRT -9"

    with caplog.at_level(logging.INFO):
        play(scene)
    assert "the Moon is too low" in caplog.text


def test_keying_waits_for_the_dial_to_arrive() -> None:
    async def scene(s: Set) -> None:
        s.daemon.publish(Tracking.OFF_FREQUENCY)
        async with s.program() as one:
            one.writer.write(b"T 1\n")
            await asyncio.sleep(0.05)
            assert s.keying.log == []
            s.daemon.publish(Tracking.ON_FREQUENCY)
            assert await one.reader.readline() == b"RPRT 0\n"

    play(scene)


@pytest.mark.parametrize(("allowed", "answer"), [(False, "RPRT -9"), (True, "RPRT 0")])
def test_from_another_machine(
    allowed: bool, answer: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async def scene(s: Set) -> None:
        async with s.program() as one:
            assert await one.ask("f") == str(SKED_HZ)
            assert await one.ask("T 1") == answer
            assert s.keying.keyed is allowed

    monkeypatch.setattr(server_module, "_is_this_machine", lambda host: False)
    play(scene, share={"lan": True, "lan_address": "127.0.0.1", "lan_transmit": allowed})
    assert ("not allowed to transmit" in caplog.text) is not allowed


@pytest.mark.parametrize(
    ("host", "near"),
    [
        ("127.0.0.1", True),
        ("127.8.8.8", True),
        ("::1", True),
        ("::ffff:127.0.0.1", True),
        ("10.42.0.1", False),
        ("fe80::1", False),
        ("?", False),
    ],
)
def test_what_is_this_machine(host: str, near: bool) -> None:
    assert server_module._is_this_machine(host) is near


def test_without_keying() -> None:
    async def main() -> None:
        ready: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        daemon = FakeDaemon()
        serving = asyncio.create_task(
            Share(ShareSettings(), on_ready=ready.set_result, port=0).run(daemon)
        )
        async with Set(daemon, FakeKeying(), await ready).program() as one:
            assert await one.ask("T 1 T 0 t m", 4) == "RPRT -11\nRPRT -11\n0\nRPRT -11"
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)

    asyncio.run(main())


def test_a_request_that_fails_half_way_is_let_go_of() -> None:
    class Broken(FakeKeying):
        async def request(self, who: str) -> None:
            await super().request(who)
            raise ValueError("a bug")

    async def scene(s: Set) -> None:
        async with s.program() as one:
            assert await one.ask("T 1") == "RPRT -9"
            assert s.keying.log[-1] == "released share 1"
            assert await one.ask("t") == "0"

    play(scene, keying=Broken())


# --- changes --------------------------------------------------------------------------------------


def test_the_same_frequency_again_asks_for_nothing() -> None:
    async def scene(s: Set) -> None:
        async with s.program() as one:
            assert await one.ask(f"F {SKED_HZ}") == "RPRT 0"
            assert s.daemon.asked == []
            assert await one.ask("F 10368200000 f", 2) == "RPRT 0\n10368200000"
            assert await one.ask("F 10371000000 f", 2) == "RPRT -9\n10368200000"
            assert [str(command) for command in s.daemon.asked] == ["sked 10 368 200 000 Hz"]

    play(scene)


def test_no_other_frequency_while_transmitting() -> None:
    async def scene(s: Set) -> None:
        s.daemon.settings = two_bands()
        async with s.program() as one:
            assert await one.ask("T 1") == "RPRT 0"
            assert await one.ask("F 432100000") == "RPRT -9"
            assert await one.ask("F 10368200000") == "RPRT -9"
            assert await one.ask("F 10368100000") == "RPRT 0", "the one that it is on"
            assert await one.ask("T 0 F 432100000 f", 3) == "RPRT 0\nRPRT 0\n432100000"

    play(scene)


def test_done_once_everyone_sees_it() -> None:
    async def scene(s: Set) -> None:
        s.daemon.late = True
        async with s.program() as one, s.program() as two:
            one.writer.write(b"F 10368200000 f\n")
            await shortly(lambda: s.daemon.asked != [])
            assert await two.ask("f") == str(SKED_HZ)
            s.daemon.publish()
            assert await one.reader.readline() == b"RPRT 0\n"
            assert await one.reader.readline() == b"10368200000\n"

    play(scene)


def test_changes_keep_apart() -> None:
    """However many ask for them: the tracker has a second to keep."""

    async def scene(s: Set) -> None:
        async with s.program() as one, s.program() as two:
            began_s = asyncio.get_running_loop().time()
            for step in range(10):
                for number, program in enumerate((one, two)):
                    hz = 10_368_200_000 + 10 * step + number
                    program.writer.write(f"F {hz}\n".encode())
            for program in (one, two):
                for _ in range(10):
                    assert await program.reader.readline() == b"RPRT 0\n"
            assert asyncio.get_running_loop().time() - began_s > 19 * 0.02 - 0.005
            assert len(s.daemon.asked) == 20

    play(scene)


def test_a_stuck_daemon_is_a_time_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("moontrim.share.sharedradio.DEADLINE_S", 0.05)
    # the default of a parameter is bound at definition
    monkeypatch.setattr("moontrim.share.sharedradio.SharedRadio._try.__defaults__", (0.05,))

    async def scene(s: Set) -> None:
        s.daemon.stuck = True
        async with s.program() as one:
            assert await one.ask("F 10368200000") == "RPRT -5"
            assert await one.ask("f") == str(SKED_HZ)

    play(scene)


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (RigRefused("no"), -9),
        (RigTimeout("silent"), -5),
        (MoontrimError("no"), -9),
        (ValueError("a bug"), -9),
    ],
)
def test_what_the_radio_says_becomes_a_report(error: Exception, code: int) -> None:
    async def fail(*given: object) -> Any:
        raise error

    async def scene(s: Set) -> None:
        async with s.program() as one:
            for line in ("m", "M CW 0", "M CW -1", "l RFPOWER", "L RFPOWER 0.1", "X CW 0"):
                assert await one.ask(line) == f"RPRT {code}", line
            assert await one.ask("f") == str(SKED_HZ)

    play(scene, rig=RigAccess(fail, fail, fail))


def test_passband_as_it_is() -> None:
    set_to: list[tuple[str, int]] = []

    async def details() -> RigDetails:
        return RigDetails("CW", 500, None)

    async def set_mode(mode: str, passband_hz: int) -> None:
        set_to.append((mode, passband_hz))

    async def scene(s: Set) -> None:
        async with s.program() as one:
            for line in ("M CW -1", "M USB -1", "M USB 1800", "M USB 0"):
                assert await one.ask(line) == "RPRT 0"
        assert set_to == [("CW", 500), ("USB", 0), ("USB", 1800), ("USB", 0)]

    play(scene, rig=RigAccess(details, set_mode))


# --- connections ----------------------------------------------------------------------------------


def test_whole_lines_before_the_end_are_carried_out_and_answered() -> None:
    async def scene(s: Set) -> None:
        async with s.program() as one:
            one.writer.write(b"F 10368200000\r\nf\r\nF 1036830000")
            one.writer.write_eof()
            assert await one.reader.read() == b"RPRT 0\n10368200000\n"
        assert s.daemon.session.band_choices(s.daemon.settings).sked_hz == 10_368_200_000

    play(scene)


def test_a_flood_of_empty_lines_lets_everything_else_run(monkeypatch: pytest.MonkeyPatch) -> None:
    most = lines = 0

    def counted(*line: Any) -> Any:
        nonlocal lines, most
        lines += 1
        most = max(most, lines)
        return read_line(*line)

    async def others() -> None:
        nonlocal lines
        while True:
            await asyncio.sleep(0)
            lines = 0

    async def scene(s: Set) -> None:
        beside = asyncio.create_task(others())
        async with s.program() as one:
            one.writer.write(b"\n" * 20_000 + b"f\n")
            assert await one.reader.readline() == b"10368100000\n"
        beside.cancel()
        assert most <= 2, f"{most} lines without another task having run"

    monkeypatch.setattr("moontrim.share.connection.read_line", counted)
    play(scene)


def test_byte_by_byte() -> None:
    async def scene(s: Set) -> None:
        async with s.program() as one:
            for byte in b"+F 10368200000\n":
                one.writer.write(bytes([byte]))
                await asyncio.sleep(0.001)
            assert await one.reader.readline() == b"set_freq: 10368200000\n"

    play(scene)


def test_a_browser_is_sent_away() -> None:
    async def scene(s: Set) -> None:
        async with s.program() as one:
            one.writer.write(b"POST / HTTP/1.1\r\nHost: x\r\n\r\nF 10368200000\nT 1\n")
            with suppress(ConnectionResetError):  # it had more to say than was read
                assert await one.reader.read() == b""
        assert s.daemon.asked == [] and s.keying.log == []

    play(scene)


def test_one_too_many() -> None:
    async def scene(s: Set) -> None:
        async with s.program() as one, s.program() as two:
            assert await one.ask("f") == await two.ask("f")
            async with s.program() as three:
                assert await three.reader.read() == b""
            two.writer.close()
            await two.writer.wait_closed()
            await asyncio.sleep(0.05)
            async with s.program() as four:
                assert await four.ask("f") == str(SKED_HZ)

    play(scene, share={"clients": 2})


def test_a_flood_of_commands_is_answered_in_order() -> None:
    async def scene(s: Set) -> None:
        async with s.program() as one:
            one.writer.write(b"f\nv\n" * 20_000)
            for _ in range(20_000):
                assert await one.reader.readline() == b"%d\n" % SKED_HZ
                assert await one.reader.readline() == b"VFOA\n"

    play(scene)


def test_a_flood_behind_a_transmit_request_ends_both() -> None:
    """With so much unread, the end of the connection would go unnoticed."""

    async def scene(s: Set) -> None:
        async with s.program() as one:
            one.writer.write(b"T 1\n")
            await shortly(lambda: s.keying.who == "share 1")
            one.writer.write(b"f\n" * 10_000)
            await shortly(lambda: s.keying.who == "")
        assert s.keying.log == ["raise share 1", "released share 1"]

    play(scene, keying=FakeKeying(settle_s=20.0))


def test_who_never_asks_anything_is_sent_away() -> None:
    """On a clock that jumps: 30 s of it."""
    clock = VirtualClock(1_795_000_000.0)

    async def main() -> None:
        ready: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        side = Share(ShareSettings(), clock=clock, on_ready=ready.set_result, port=0)
        serving = asyncio.create_task(side.run(FakeDaemon()))
        reader, writer = await asyncio.open_connection("127.0.0.1", await ready)
        assert await reader.read() == b""
        assert clock.monotonic_s() == pytest.approx(30.0)
        writer.close()
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)

    clock.run(main())


def test_a_port_that_is_taken_is_tried_again(caplog: pytest.LogCaptureFixture) -> None:
    clock = VirtualClock(1_795_000_000.0)

    async def main() -> None:
        port = free_port()
        other = await asyncio.start_server(lambda reader, writer: None, "127.0.0.1", port)
        ready = asyncio.Event()
        side = Share(ShareSettings(port=port), clock=clock, on_ready=lambda _: ready.set())
        serving = asyncio.create_task(side.run(FakeDaemon()))
        await clock.sleep(40.0)
        assert not ready.is_set()
        other.close()
        await other.wait_closed()
        await ready.wait()
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)

    clock.run(main())
    assert caplog.text.count("no share for other programs: cannot listen on 127.0.0.1 port") == 1


def test_disabled() -> None:
    asyncio.run(Share(ShareSettings(enabled=False)).run(FakeDaemon()))


def test_stopped_with_a_key_held() -> None:
    async def main() -> None:
        ready: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        keying, daemon = FakeKeying(), FakeDaemon()
        side = Share(ShareSettings(), transmit=keying, on_ready=ready.set_result, port=0)
        serving = asyncio.create_task(side.run(daemon))
        async with Set(daemon, keying, await ready).program() as one:
            assert await one.ask("T 1") == "RPRT 0"
            serving.cancel()
            await asyncio.gather(serving, return_exceptions=True)
            assert not keying.keyed

    asyncio.run(main())


def test_a_frequency_that_is_shown_but_not_true_any_more_is_set() -> None:
    """A dial is about to move: the state comes when it has."""

    async def scene(s: Set) -> None:
        async with s.program() as program:
            s.daemon.late = True
            await s.daemon.ask(SetSked("phone", SKED_HZ + 500.0))
            asking = asyncio.create_task(program.ask(f"F {SKED_HZ}"))
            await asyncio.sleep(0.2)
            s.daemon.publish()
            assert await asking == "RPRT 0"
            assert s.daemon.session.band_choices(s.daemon.settings).sked_hz == SKED_HZ

    play(scene)
