"""What each source says of the clock, and when that is believed. Virtual time; no source but the
kernel is real."""

from __future__ import annotations

import asyncio
import itertools
import math
import os
import socket
import struct
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moontrim.clock.system import SystemClock
from moontrim.clock.virtual import VirtualClock
from moontrim.config.clock import ClockSettings
from moontrim.preflight.clock import judge_clock
from moontrim.timekeeping.adjtimex import NEVER_SET_S, Kernel, judge, read_adjtimex
from moontrim.timekeeping.chrony import (
    LOCAL_MODE,
    REPLY_BYTES,
    ChronyGarbledError,
    parse_tracking,
    reading_of,
    tracking_request,
)
from moontrim.timekeeping.clockjumps import SETTLED_S, ClockWatch
from moontrim.timekeeping.reading import ClockReading, Reader, unsynchronised
from moontrim.timekeeping.sources import best_reading, read_chrony, read_sources, readers_for
from moontrim.timekeeping.timesyncd import NOT_YET_SLEWED_S, STALE_S, read_timesyncd
from moontrim.timekeeping.trust import POLL_S, ClockTrust
from support.processor import unloaded_s
from support.rigctld import free_port

T0 = 1_795_000_000.0
RATE_HZ_PER_S = -2.2

# --- chrony's bytes -------------------------------------------------------------------------------


def tracking_reply(sequence: int = 7, **changes: Any) -> bytes:
    """As chronyd would send it. Written from candm.h, apart from the parser."""
    field = {
        "version": 6, "kind": 2, "command": 33, "reply": 5, "status": 0,
        "reference_id": 0xC0000201, "stratum": 3, "leap": 0, "high": 0, "low": 1_795_000_000,
        "ns": 500_000_000, "slow": 0, "delay": 0, "dispersion": 0,
    } | changes  # fmt: skip
    header = struct.pack(
        "!BBBBHHHHHHIII", field["version"], field["kind"], 0, 0, field["command"], field["reply"],
        field["status"], 0, 0, 0, sequence, 0, 0,
    )  # fmt: skip
    address = bytes(16) + struct.pack("!HH", 1, 0)
    body = struct.pack("!I", field["reference_id"]) + address
    body += struct.pack("!HHIII", *(field[k] for k in ("stratum", "leap", "high", "low", "ns")))
    floats = [field["slow"], 0, 0, 0, 0, 0, field["delay"], field["dispersion"], 0]
    return header + body + struct.pack("!9I", *floats)


def chrony_float(exponent: int, coefficient: int) -> int:
    return ((exponent & 0x7F) << 25) | (coefficient & 0x1FFFFFF)


def test_a_tracking_reply_is_understood() -> None:
    data = tracking_reply(
        slow=chrony_float(-3, -(1 << 24)),  # -2**24 * 2**(-3 - 25) = -1/16
        delay=chrony_float(-1, 1 << 23),  # 2**23 * 2**-26 = 1/8
        dispersion=chrony_float(2, 1 << 20),  # 2**20 * 2**-23 = 1/8
    )
    found = parse_tracking(data, 7)
    assert (found.slow_s, found.root_delay_s, found.root_dispersion_s) == (-0.0625, 0.125, 0.125)
    assert found.updated_utc_s == 1_795_000_000.5
    assert found.bound_s == 0.0625 + 0.125 + 0.0625
    reading = reading_of(found)
    assert reading.synchronised and reading.offset_s == 0.0625, "it is fast"


def test_the_request_is_as_long_as_the_reply() -> None:
    """Else chronyd does not answer (its guard against being used to amplify traffic)."""
    assert len(tracking_request(1)) == len(tracking_reply()) == REPLY_BYTES


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"leap": 3}, "no source selected yet"),
        ({"reference_id": 0}, "no source selected yet"),
        ({"reference_id": LOCAL_MODE}, "local reference only"),
        ({"leap": 65535}, "no source selected yet"),
    ],
)
def test_a_chronyd_that_follows_nothing_vouches_for_nothing(
    change: dict[str, int], why: str
) -> None:
    tracking = parse_tracking(tracking_reply(**change), 7)
    assert not tracking.synchronised
    reading = reading_of(tracking)
    assert not reading.synchronised and math.isinf(reading.bound_s)
    assert why in reading.detail


@pytest.mark.parametrize(
    "data",
    [
        b"",
        tracking_reply()[:-1],
        tracking_reply(sequence=8),
        tracking_reply(version=5),
        tracking_reply(kind=1),
        tracking_reply(command=34),
        tracking_reply(reply=6),
        tracking_reply(status=1),
        tracking_reply(delay=chrony_float(0, -1)),
        tracking_reply(dispersion=chrony_float(0, -1)),
    ],
)
def test_a_reply_that_is_none_is_refused(data: bytes) -> None:
    with pytest.raises(ChronyGarbledError):
        parse_tracking(data, 7)


@given(st.binary(max_size=REPLY_BYTES + 8), st.booleans())
def test_any_bytes_are_a_value_or_one_error(tail: bytes, plausible: bool) -> None:
    data = tracking_reply()[:28] + tail if plausible else tail
    try:
        reading = reading_of(parse_tracking(data, 7))
    except ChronyGarbledError:
        return
    assert reading.bound_s >= 0.0
    assert math.isfinite(reading.bound_s) == reading.synchronised


# --- over the socket ------------------------------------------------------------------------------


def test_nobody_there_is_no_source() -> None:
    port = free_port(socket.SOCK_DGRAM)
    assert asyncio.run(read_chrony(SystemClock(), port)) is None


@pytest.mark.parametrize("answer", [None, b"garbage"])
def test_a_silent_or_strange_server_holds_nobody_up(answer: bytes | None) -> None:
    class Server(asyncio.DatagramProtocol):
        def connection_made(self, transport: Any) -> None:
            self.transport = transport

        def datagram_received(self, data: bytes, addr: Any) -> None:
            if answer is not None:
                self.transport.sendto(answer, addr)

    async def main() -> ClockReading | None:
        loop = asyncio.get_running_loop()
        transport, _ = await loop.create_datagram_endpoint(Server, local_addr=("127.0.0.1", 0))
        try:
            port = transport.get_extra_info("sockname")[1]
            return await read_chrony(SystemClock(), port)
        finally:
            transport.close()

    began_s = unloaded_s()
    reading = asyncio.run(main())
    assert unloaded_s() - began_s < 2.0
    if answer is None:
        assert reading is None
    else:
        assert reading is not None and not reading.synchronised


# --- timesyncd and the kernel ---------------------------------------------------------------------


@pytest.mark.parametrize("age_s", [0.0, 100.0, 2048.0, -50.0])
def test_timesyncd_by_the_age_of_its_file(tmp_path: Path, age_s: float) -> None:
    assert read_timesyncd(T0, 20.0, tmp_path) is None, "never synchronised"
    mark = tmp_path / "synchronized"
    mark.touch()
    os.utime(mark, (T0 - age_s, T0 - age_s))
    reading = read_timesyncd(T0, 20.0, tmp_path)
    assert reading is not None and reading.synchronised
    assert reading.bound_s == pytest.approx(NOT_YET_SLEWED_S + abs(age_s) * 20e-6)
    assert reading.bound_s < ClockSettings().max_error_s, "at its longest poll, too"


@pytest.mark.parametrize("age_s", [STALE_S + 1.0, -3600.0])
def test_a_file_too_old_or_of_the_future_says_nothing(tmp_path: Path, age_s: float) -> None:
    mark = tmp_path / "synchronized"
    mark.touch()
    os.utime(mark, (T0 - age_s, T0 - age_s))
    assert read_timesyncd(T0, 20.0, tmp_path) is None
    assert read_timesyncd(T0, 20.0, tmp_path / "none") is None


def test_the_kernel_answers_or_may_not_be_asked() -> None:
    """Against what Python itself cannot ask: the call works, and agrees with itself a moment
    later (maxerror moves by 500 ppm and with updates)."""
    first, second = read_adjtimex(), read_adjtimex()
    if first is None or second is None:
        pytest.skip("this machine does not allow adjtimex")
    assert first.synchronised == second.synchronised
    if first.synchronised:
        assert 0.0 <= first.bound_s < NEVER_SET_S
        assert second.bound_s == pytest.approx(first.bound_s, abs=0.1)


@pytest.mark.parametrize("max_error_s", [16.0, 17.0, -1.0, math.nan])
def test_a_clock_that_was_never_set(max_error_s: float) -> None:
    assert not judge(5, max_error_s).synchronised
    assert judge(5, 15.9).synchronised, "state 5 is what a chronyd without RTC sync leaves"
    assert "leap" in judge(1, 0.1).detail


def test_the_kernel_has_compared_when_its_bound_falls() -> None:
    bounds = iter([0.1, 0.2, 0.3, 0.05, 0.06, 0.02])
    kernel = Kernel(lambda: judge(0, next(bounds)))

    async def main() -> list[float]:
        return [found.compared for _ in range(6) if (found := await kernel.read())]

    compared = asyncio.run(main())
    assert [b != a for a, b in itertools.pairwise(compared)] == [
        False, False, True, False, True,
    ]  # fmt: skip
    assert asyncio.run(Kernel(lambda: None).read()) is None


# --- which to believe -----------------------------------------------------------------------------


def says(reading: ClockReading | None) -> Reader:
    async def read() -> ClockReading | None:
        return reading

    return read


def good(source: str = "chrony", bound_s: float = 0.01, compared: float = 0.0) -> ClockReading:
    return ClockReading(source, True, bound_s, 0.0, "stratum 2", compared)


def test_the_first_that_vouches_else_the_first_there_is() -> None:
    bad = unsynchronised("chrony", "no source selected yet")
    kernel = good("kernel")

    def best(*readings: ClockReading | None) -> ClockReading | None:
        return best_reading(asyncio.run(read_sources([says(one) for one in readings])))

    assert best(good(), kernel) == good()
    assert best(None, kernel) == kernel
    assert best(bad, kernel) == kernel
    assert best(bad, None, unsynchronised("kernel", "")) == bad
    assert best(None, None) is None
    assert best() is None


# --- trust ----------------------------------------------------------------------------------------


class Stand:
    """A trust over one source, which says `reading`, on a virtual clock. Its watch is looked at
    once a second, as the tracker does."""

    def __init__(self, **settings: Any) -> None:
        self.clock = VirtualClock(T0)
        self.slept_s = 0.0
        self.watch = ClockWatch(self.clock, lambda: self.slept_s)
        self.reading: ClockReading | None = good()
        self.compares = True
        self.looks = 0
        self.trust = ClockTrust(self.clock, self.watch, ClockSettings(**settings), [self._read])

    async def _read(self) -> ClockReading | None:
        self.looks += 1
        if self.reading is None or not self.compares:
            return self.reading
        r = self.reading
        return ClockReading(
            r.source, r.synchronised, r.bound_s, r.offset_s, r.detail, float(self.looks)
        )

    async def tracker(self) -> None:
        while True:
            await self.clock.sleep(1.0)
            self.watch.step_s()

    def play(self, scene: Callable[[Stand], Awaitable[None]]) -> None:
        async def main() -> None:
            tasks = [asyncio.create_task(self.trust.run()), asyncio.create_task(self.tracker())]
            try:
                await self.clock.sleep(0.5)
                await scene(self)
            finally:
                for task in tasks:
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)

        self.clock.run(main())


def test_nothing_is_trusted_before_it_was_looked_at() -> None:
    stand = Stand()
    assert "no time source found" in stand.trust.doubt()
    assert math.isinf(stand.trust.error_bound_s())
    assert math.isinf(stand.trust.cost_hz(0.0))
    assert stand.trust.view().bound_ms is None


def test_a_good_source_is_trusted_and_polled_now_and_then() -> None:
    async def scene(s: Stand) -> None:
        assert s.trust.doubt() == ""
        await s.clock.sleep(1000.0)
        assert s.trust.doubt() == ""
        assert s.looks == pytest.approx(1000.0 / POLL_S, abs=2)
        assert s.trust.cost_hz(RATE_HZ_PER_S) == pytest.approx(0.022, rel=0.05)
        view = s.trust.view(RATE_HZ_PER_S)
        assert view.source == "chrony" and view.bound_ms == pytest.approx(10.0, rel=0.05)
        assert view.cost_hz == s.trust.cost_hz(RATE_HZ_PER_S)
        assert s.trust.view().cost_hz is None, "the rate is not known"

    Stand().play(scene)


def test_silence_makes_the_bound_grow_until_it_is_too_large() -> None:
    async def scene(s: Stand) -> None:
        s.reading = None
        await s.clock.sleep(4000.0)
        assert s.trust.doubt() == ""
        grown_s = s.trust.error_bound_s() - 0.01
        assert grown_s == pytest.approx(4000.0 * 100e-6, rel=0.01)
        await s.clock.sleep(1000.0)
        assert "clock error up to 5" in s.trust.doubt()

    Stand(drift_ppm=100.0).play(scene)


@pytest.mark.parametrize("bad", [math.nan, math.inf, 0.501, 20.0])
def test_a_bound_over_the_limit_is_no_good(bad: float) -> None:
    async def scene(s: Stand) -> None:
        assert s.trust.doubt() == ""
        s.reading = good(bound_s=bad)
        await s.clock.sleep(POLL_S)
        assert "clock error up to" in s.trust.doubt()

    Stand().play(scene)


def test_losing_synchronisation_is_believed() -> None:
    async def scene(s: Stand) -> None:
        s.reading = unsynchronised("chrony", "no source selected yet")
        await s.clock.sleep(POLL_S)
        assert "not synchronised (chrony" in s.trust.doubt()
        s.reading = good()
        await s.clock.sleep(3.0)
        assert s.trust.doubt() == "", "in doubt it looks more often"

    Stand().play(scene)


def test_a_worse_source_does_not_replace_a_good_reading() -> None:
    async def scene(s: Stand) -> None:
        s.reading = unsynchronised("kernel", "never set")
        await s.clock.sleep(100.0)
        assert s.trust.doubt() == ""
        assert s.trust.reading is not None and s.trust.reading.source == "chrony"

    Stand().play(scene)


def test_a_source_that_takes_it_back_is_heard_over_a_worse_one() -> None:
    async def scene(s: Stand) -> None:
        s.trust._readers = [s._read, says(good("kernel", bound_s=0.7))]
        s.reading = unsynchronised("chrony", "no source selected yet")
        await s.clock.sleep(POLL_S)
        assert "clock error up to 700 ms" in s.trust.doubt()

    Stand().play(scene)


@pytest.mark.parametrize("reading", [None, unsynchronised("kernel", "never set")])
def test_the_operators_word(reading: ClockReading | None) -> None:
    async def scene(s: Stand) -> None:
        s.reading = reading
        await s.trust.poll()
        assert s.trust.doubt() == ""
        s.clock.step_utc(3.0)
        assert "stepped" in s.trust.doubt(), "a step counts all the same"
        await s.clock.sleep(SETTLED_S + 1.0)
        assert s.trust.doubt() == ""
        s.trust.compare_with(5.0, 6.0, "GPS receiver")
        assert "GPS receiver" in s.trust.doubt(), "and so does a contradiction"

    stand = Stand(trust="any")
    stand.reading = None
    stand.play(scene)

    async def without(s: Stand) -> None:
        assert s.trust.doubt() != ""

    stand = Stand()
    stand.reading = reading
    stand.play(without)


@pytest.mark.parametrize("step_s", [-3600.0, -20.0, -0.6, -0.1, 0.1, 0.6, 20.0, 3600.0])
def test_a_step_is_seen_at_once_and_ends_with_a_comparison(step_s: float) -> None:
    async def scene(s: Stand) -> None:
        await s.clock.sleep(60.2)
        s.compares = False
        s.clock.step_utc(step_s)
        assert "stepped" in s.trust.doubt(), "before the tracker looks"
        await s.clock.sleep(1.0)
        assert f"stepped by {step_s:+.3f} s" in s.trust.doubt()
        await s.clock.sleep(600.0)
        assert "not compared by chrony since" in s.trust.doubt()
        assert math.isinf(s.trust.error_bound_s())
        s.compares = True
        await s.clock.sleep(3.0)
        assert s.trust.doubt() == ""
        assert math.isfinite(s.trust.error_bound_s())

    Stand().play(scene)


def test_a_comparison_just_before_the_step_does_not_count() -> None:
    """It came after the last look, so its mark is new; that tells nothing of the clock now."""

    async def scene(s: Stand) -> None:
        s.compares = False
        s.reading = good(compared=1.0)
        await s.clock.sleep(60.0)
        s.reading = good(compared=2.0)
        s.clock.step_utc(30.0)
        await s.clock.sleep(100.0)
        assert "not compared by chrony since" in s.trust.doubt()
        s.reading = good(compared=3.0)
        await s.clock.sleep(3.0)
        assert s.trust.doubt() == ""

    Stand().play(scene)


def test_waking_up_is_seen_at_once_and_ends_with_a_comparison() -> None:
    async def scene(s: Stand) -> None:
        s.compares = False
        s.slept_s += 1800.0
        s.clock.step_utc(1800.0)  # UTC goes on, the monotonic clock does not
        assert "just resumed" in s.trust.doubt()
        await s.clock.sleep(1.0)
        assert s.watch.last_event == "machine suspended for 1800 s"
        await s.clock.sleep(100.0)
        assert "suspended" in s.trust.doubt()
        s.compares = True
        await s.clock.sleep(4.0)
        assert s.trust.doubt() == ""

    Stand().play(scene)


def test_a_witness_contradicts_for_a_while() -> None:
    async def scene(s: Stand) -> None:
        s.trust.compare_with(-0.3, 0.8, "GPS receiver")
        assert s.trust.doubt() == ""
        s.trust.compare_with(2.0, 3.1, "GPS receiver")
        assert s.trust.doubt() == "clock at least 2.0 s ahead of the GPS receiver"
        s.trust.compare_with(-3.1, -2.0, "GPS receiver")
        assert s.trust.doubt() == "clock at least 2.0 s behind the GPS receiver"
        await s.clock.sleep(61.0)
        assert s.trust.doubt() == "", "a witness that fell silent"

    Stand().play(scene)


def test_a_rehearsals_clock_is_right_by_definition_even_after_a_step() -> None:
    async def scene(s: Stand) -> None:
        trust = ClockTrust(s.clock, s.watch, ClockSettings(), readers_for(s.clock, ClockSettings()))
        task = asyncio.create_task(trust.run())
        await s.clock.sleep(1.0)
        assert trust.doubt() == ""
        s.clock.step_utc(100.0)
        assert trust.doubt() != ""
        await s.clock.sleep(SETTLED_S + 3.0)
        assert trust.doubt() == ""
        task.cancel()

    Stand().play(scene)


# --- the watch ------------------------------------------------------------------------------------


def test_the_watch_tells_steps_once_and_slews_never() -> None:
    clock = VirtualClock(T0)
    watch = ClockWatch(clock)
    for _ in range(100):
        clock.step_utc(0.04)
        assert watch.step_s() == 0.0
    assert watch.doubt() == ""
    clock.step_utc(-0.5)
    assert watch.step_s() == pytest.approx(-0.5)
    assert watch.step_s() == 0.0
    assert watch.doubt() == "clock stepped by -0.500 s less than 10 s ago"


# --- settings and the pre-flight list -------------------------------------------------------------


@pytest.mark.parametrize(
    "wrong",
    [
        {"trust": "yes"},
        {"max_error_ms": 0.0},
        {"max_error_ms": math.nan},
        {"drift_ppm": -1.0},
        {"drift_ppm": math.inf},
        {"chrony_port": 0},
        {"limit": 1},
    ],
)
def test_settings_that_are_none(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError):
        ClockSettings(**wrong)


@pytest.mark.parametrize(
    ("reading", "settings", "keys", "level", "text"),
    [
        (good(), {}, True, "ok", "0.022 Hz"),
        (good(bound_s=0.4), {}, True, "note", "0.88 Hz"),
        (good(bound_s=0.6), {}, True, "fail", "transmit is inhibited"),
        (good(bound_s=0.6), {}, False, "note", "transmit is inhibited"),
        (None, {}, True, "fail", "Install"),
        (None, {}, False, "note", "Install"),
        (unsynchronised("kernel", "never set"), {}, True, "fail", "never set"),
        (None, {"trust": "any"}, True, "note", "without confirmation"),
    ],
)
def test_findings(
    reading: ClockReading | None, settings: dict[str, Any], keys: bool, level: str, text: str
) -> None:
    finding = judge_clock(reading, ClockSettings(**settings), RATE_HZ_PER_S, keys=keys)
    assert (finding.level, finding.what) == (level, "clock")
    assert text in finding.text
    assert judge_clock(good(), ClockSettings(), math.nan, keys=True).level == "ok"


class Busy(VirtualClock):
    """Another process has the processor between the readings of two clocks."""

    stall_s = 0.0

    def utc_s(self) -> float:
        now_s = super().utc_s()
        self._now_s += self.stall_s
        self.stall_s = 0.0
        return now_s


def test_being_put_aside_between_two_readings_is_no_step() -> None:
    clock = Busy(T0)
    watch = ClockWatch(clock)
    clock.stall_s = 0.08
    assert watch.doubt() == ""
    clock.stall_s = 0.08
    assert watch.step_s() == 0.0
    clock.stall_s = 1.0
    assert watch.step_s() == 0.0 and watch.doubt() == ""
    clock.step_utc(0.06)
    assert watch.step_s() == pytest.approx(0.06)
