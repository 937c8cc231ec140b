"""The keyer on a virtual clock: settle times to the microsecond, every fault drops the key, whoever
asks gets a clear answer; and once on the real clock, key to RF within 5 ms."""

import asyncio
import math
from collections.abc import Callable, Coroutine
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from moontrim.clock.system import Clock, SystemClock
from moontrim.clock.virtual import VirtualClock
from moontrim.config.keying import KeyingSettings
from moontrim.keying.interlocks import Conditions
from moontrim.keying.keyer import PRESENCE_S, Keyer
from moontrim.keying.modemlines import Ports
from moontrim.keying.outputs import Output, SimulatedOutput, make_outputs
from moontrim.keying.ownership import KeyingRefused
from moontrim.keying.sequence import STUCK_S, Phase, Sequence, Stage, Switch
from moontrim.keying.switching import DEADLINE_S, NO_ANSWER, POLL_S, Switching
from moontrim.keying.view import KeyingView
from support.processor import unloaded_s

T0 = 1_795_000_000.0
EPSILON_S = 1e-6
GOOD = Conditions(
    moon_azimuth_deg=180.0,
    moon_elevation_deg=30.0,
    min_tx_elevation_deg=5.0,
    horizon_deg=2.0,
    on_frequency=True,
    tracking="on frequency",
    within_allowed_range=True,
    drive_within_ceiling=None,
    radio_answers=True,
    tx_allowed=True,
    changing_band=False,
    clock_doubt="",
    home_doubt="",
    front_end_doubt="",
    age_s=0.0,
    cannot_key="",
    guard_doubt="",
)
LOW = replace(GOOD, moon_elevation_deg=4.0)


class Fake(Output):
    """An output with bad habits. log: (instant, name, what), what being `on?` when it is told,
    `on` when it has confirmed, likewise `off`, and `close`."""

    def __init__(self, name: str, clock: Clock, log: list[tuple[float, str, str]]) -> None:
        super().__init__(name)
        self.clock = clock
        self.log = log
        self.takes_s = {"on": 0.0, "off": 0.0}
        self.fails = {"on": False, "off": False, "open": False, "missing": False}

    def note(self, what: str) -> None:
        self.log.append((self.clock.monotonic_s(), self.name, what))

    async def check_present(self) -> None:
        if self.fails["missing"]:
            raise OSError("gone")

    async def open(self) -> None:
        if self.fails["open"]:
            raise OSError("unplugged")

    async def on(self) -> None:
        await self._do("on")

    async def off(self) -> None:
        await self._do("off")

    async def _do(self, what: str) -> None:
        self.note(what + "?")
        if self.takes_s[what]:
            await self.clock.sleep(self.takes_s[what])
        if self.fails[what]:
            raise OSError("stuck")
        self.note(what)

    def close(self) -> None:
        self.note("close")


def table(times: tuple[tuple[int, int], ...], **more: Any) -> KeyingSettings:
    """times: (settle_ms, release_ms) of each output; the last one keys the radio."""
    names = [f"relay {index}" for index in range(len(times) - 1)] + ["radio"]
    outputs = [
        {
            "kind": "simulated",
            "name": name,
            "settle_ms": settle,
            "release_ms": release,
            "keys_radio": name == "radio",
        }
        for name, (settle, release) in zip(names, times, strict=True)
    ]
    return KeyingSettings.model_validate({"enabled": True, "outputs": outputs, **more})


class Bench:
    def __init__(self, clock: VirtualClock, config: KeyingSettings) -> None:
        self.clock = clock
        self.log: list[tuple[float, str, str]] = []
        self.conditions: Conditions | Exception = GOOD
        self.held: list[tuple[float, bool]] = []
        self.views: list[KeyingView] = []
        self.outputs = tuple(Fake(output.name, clock, self.log) for output in config.outputs)
        self.radio = self.outputs[-1]
        self.keyer = Keyer(
            config,
            self.outputs,
            clock,
            self.look,
            lambda on: self.held.append((clock.monotonic_s(), on)),
            self.views.append,
        )

    def look(self) -> Conditions:
        if isinstance(self.conditions, Exception):
            raise self.conditions
        return self.conditions

    def since(self, began_s: float) -> list[tuple[float, str, str]]:
        """What was told since, without confirmations, on a clock that began there."""
        return [
            (round(at_s - began_s, 6), name, what)
            for at_s, name, what in self.log
            if at_s >= began_s and what in ("on?", "off?", "close")
        ]

    async def until(self, state: Phase) -> None:
        while self.keyer.view.state is not state:
            await self.clock.sleep(0.001)


def scene(
    play: Callable[[Bench], Coroutine[Any, Any, None]],
    times: tuple[tuple[int, int], ...] = ((250, 100), (60, 20), (0, 30)),
    **more: Any,
) -> Bench:
    """Play with a keyer that has come to rest; afterwards it is cancelled and must fall."""
    clock = VirtualClock(T0)

    async def main() -> Bench:
        bench = Bench(clock, table(times, **more))
        task = asyncio.create_task(bench.keyer.run())
        await clock.sleep(1.0)
        assert bench.keyer.view.state is Phase.RELEASED
        await play(bench)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        return bench

    bench = clock.run(main())
    for output in bench.outputs:
        told = [what for _, name, what in bench.log if name == output.name]
        assert told[-1] == "close"
    assert not bench.held or bench.held[-1][1] is False
    return bench


def test_relays_settle_before_the_radio_and_open_after_it() -> None:
    async def play(bench: Bench) -> None:
        began_s = bench.clock.monotonic_s()
        await bench.keyer.request("page")
        assert bench.clock.monotonic_s() - began_s == pytest.approx(0.310, abs=1e-9)
        view = bench.keyer.view
        assert (view.state, view.who, view.reasons) == (Phase.KEYED, "page", ())
        assert view.since_utc_s == pytest.approx(T0 + began_s + 0.310)
        await bench.clock.sleep(9.690)
        bench.keyer.release("page")
        await bench.until(Phase.RELEASED)
        assert bench.since(began_s) == [
            (0.0, "relay 0", "on?"),
            (0.25, "relay 1", "on?"),
            (0.31, "radio", "on?"),
            (10.0, "radio", "off?"),
            (10.03, "relay 1", "off?"),
            (10.05, "relay 0", "off?"),
        ]
        assert bench.keyer.view.who == ""

    bench = scene(play)
    (began_s, began), (ended_s, ended) = bench.held
    assert (began, ended) == (True, False)
    assert ended_s - began_s == pytest.approx(10.15, abs=2e-3)  # until the last has released


def test_an_output_that_takes_its_time_settles_from_when_it_is_on() -> None:
    async def play(bench: Bench) -> None:
        bench.outputs[0].takes_s["on"] = 0.1
        began_s = bench.clock.monotonic_s()
        await bench.keyer.request("page")
        assert bench.clock.monotonic_s() - began_s == pytest.approx(0.410, abs=1e-9)

    scene(play)


def test_the_radios_own_settling_counts_before_it_is_keyed() -> None:
    async def play(bench: Bench) -> None:
        began_s = bench.clock.monotonic_s()
        await bench.keyer.request("page")
        assert bench.clock.monotonic_s() - began_s == pytest.approx(0.125, abs=1e-9)
        assert bench.since(began_s)[-1] == (0.1, "radio", "on?")

    scene(play, ((100, 0), (25, 30)))


def test_the_dial_is_held_still_before_the_first_output() -> None:
    async def play(bench: Bench) -> None:
        seen: list[bool] = []
        bench.outputs[0].note = lambda what: seen.append(bool(bench.held))  # type: ignore[method-assign]
        await bench.keyer.request("page")
        assert seen[0]
        del bench.outputs[0].note  # type: ignore[method-assign]

    scene(play)


@pytest.mark.parametrize("after_s", [0.0, 0.1, 0.25, 0.28, 0.31, 5.0])
def test_a_condition_that_fails_drops_the_key_at_once(after_s: float) -> None:
    async def play(bench: Bench) -> None:
        request = asyncio.create_task(bench.keyer.request("page"))
        await bench.clock.sleep(after_s + 1e-4)
        bench.conditions = LOW
        failed_s = bench.clock.monotonic_s()
        await bench.until(Phase.RELEASED)
        told = bench.since(failed_s)
        assert [what for _, _, what in told] == ["off?"] * len(told)
        if after_s >= 0.31:
            assert told[0][1] == "radio"
            await request
        else:
            assert not any(name == "radio" for _, name, _ in told)
            with pytest.raises(KeyingRefused, match="RF exposure"):
                await request
        assert told[0][0] <= POLL_S + EPSILON_S
        assert "RF exposure" in bench.keyer.view.reasons[0]

    scene(play)


def test_a_recheck_is_made_at_once() -> None:
    async def play(bench: Bench) -> None:
        await bench.keyer.request("page")
        await bench.clock.sleep(0.003)
        bench.conditions = LOW
        failed_s = bench.clock.monotonic_s()
        bench.keyer.recheck()
        await bench.until(Phase.RELEASED)
        assert bench.since(failed_s)[0] == (0.0, "radio", "off?")

    scene(play)


def test_conditions_that_cannot_be_told_forbid() -> None:
    async def play(bench: Bench) -> None:
        bench.conditions = RuntimeError("no snapshot")
        with pytest.raises(KeyingRefused, match="no snapshot"):
            await bench.keyer.request("page")
        bench.conditions = GOOD
        await bench.keyer.request("page")
        bench.conditions = RuntimeError("no snapshot")
        await bench.until(Phase.RELEASED)
        assert "no snapshot" in bench.keyer.view.reasons[0]

    scene(play)


def test_refused_without_touching_anything() -> None:
    async def play(bench: Bench) -> None:
        before = len(bench.log)
        bench.conditions = replace(LOW, tx_allowed=False)
        with pytest.raises(KeyingRefused) as refused:
            await bench.keyer.request("page")
        assert len(refused.value.reasons) == 2
        assert bench.keyer.view.reasons == refused.value.reasons
        await bench.clock.sleep(1.0)
        assert len(bench.log) == before
        assert bench.held == []

    scene(play)


def test_an_over_ends_at_its_limit_and_the_key_must_be_let_go() -> None:
    async def play(bench: Bench) -> None:
        began_s = bench.clock.monotonic_s()
        await bench.keyer.request("page")
        await bench.until(Phase.RELEASED)
        off = [told for told in bench.since(began_s) if told[1:] == ("radio", "off?")]
        assert [at_s for at_s, _, _ in off] == pytest.approx([0.31 + 20.013], abs=1e-6)
        with pytest.raises(KeyingRefused, match="release PTT before keying again; over limit of"):
            await bench.keyer.request("page")
        await bench.keyer.request("share")  # somebody else may
        bench.keyer.release("share")
        bench.keyer.release("page")
        await bench.keyer.request("page")

    scene(play, longest_over_s=20.013)


def test_one_at_a_time() -> None:
    async def play(bench: Bench) -> None:
        first = asyncio.create_task(bench.keyer.request("page"))
        await bench.clock.sleep(0.1)
        with pytest.raises(KeyingRefused, match="page is transmitting"):
            await bench.keyer.request("share 2")
        await first
        await bench.keyer.request("page")  # again: it is keyed already
        bench.keyer.release("share 2")
        await bench.clock.sleep(1.0)
        assert bench.keyer.view.state is Phase.KEYED

    scene(play)


def test_a_new_request_waits_for_the_lowering_and_starts_afresh() -> None:
    async def play(bench: Bench) -> None:
        await bench.keyer.request("page")
        await bench.clock.sleep(1.0)
        began_s = bench.clock.monotonic_s()
        bench.keyer.release("page")
        await bench.keyer.request("share")
        assert [(name, what) for _, name, what in bench.since(began_s)] == [
            ("radio", "off?"),
            ("relay 1", "off?"),
            ("relay 0", "off?"),
            ("relay 0", "on?"),
            ("relay 1", "on?"),
            ("radio", "on?"),
        ]
        assert bench.clock.monotonic_s() - began_s == pytest.approx(0.15 + 0.31, abs=1e-9)
        assert bench.keyer.view.who == "share"

    scene(play)


def test_released_or_cancelled_while_raising() -> None:
    async def play(bench: Bench) -> None:
        for end in ("release", "cancel"):
            began_s = bench.clock.monotonic_s()
            request = asyncio.create_task(bench.keyer.request("page"))
            await bench.clock.sleep(0.27)
            if end == "release":
                bench.keyer.release("page")
                with pytest.raises(KeyingRefused, match="released before"):
                    await request
            else:
                request.cancel()
            await bench.until(Phase.RELEASED)
            assert [told[1:] for told in bench.since(began_s)] == [
                ("relay 0", "on?"),
                ("relay 1", "on?"),
                ("relay 1", "off?"),
                ("relay 0", "off?"),
            ]
        await bench.keyer.request("page")  # nothing is left over

    scene(play)


def test_an_output_that_will_not_switch_on() -> None:
    async def play(bench: Bench) -> None:
        bench.outputs[1].fails["on"] = True
        began_s = bench.clock.monotonic_s()
        with pytest.raises(KeyingRefused, match="relay 1 does not switch on: stuck"):
            await bench.keyer.request("page")
        await bench.until(Phase.RELEASED)
        assert "radio" not in {name for _, name, _ in bench.since(began_s)}
        bench.outputs[1].fails["on"] = False
        await bench.keyer.request("page")

    scene(play)


def test_a_radio_that_hangs_while_keying_is_told_to_receive() -> None:
    async def play(bench: Bench) -> None:
        bench.radio.takes_s["on"] = 100.0
        began_s = bench.clock.monotonic_s()
        with pytest.raises(KeyingRefused, match="radio does not switch on: no answer"):
            await bench.keyer.request("page")
        await bench.until(Phase.RELEASED)
        assert bench.since(began_s)[2:4] == [
            (0.31, "radio", "on?"),
            (pytest.approx(0.31 + DEADLINE_S), "radio", "off?"),
        ]

    scene(play)


def test_a_switch_on_that_was_broken_off_does_not_come_through_later() -> None:
    async def play(bench: Bench) -> None:
        bench.radio.takes_s["on"] = 0.2
        request = asyncio.create_task(bench.keyer.request("page"))
        await bench.clock.sleep(0.31 + 0.1)
        bench.conditions = LOW
        bench.keyer.recheck()
        with pytest.raises(KeyingRefused, match="RF exposure"):
            await request
        await bench.clock.sleep(1.0)
        assert [what for _, name, what in bench.log if name == "radio"][-3:] == [
            "on?",
            "off?",
            "off",
        ]

    scene(play)


def test_an_output_that_is_not_there_is_refused_and_may_come_back() -> None:
    async def play(bench: Bench) -> None:
        bench.outputs[0].fails["open"] = True
        with pytest.raises(KeyingRefused, match="relay 0: unplugged"):
            await bench.keyer.request("page")
        assert bench.held == []
        bench.outputs[0].fails["open"] = False
        await bench.keyer.request("page")

    scene(play)


def test_an_output_that_goes_amid_an_over_ends_it() -> None:
    async def play(bench: Bench) -> None:
        await bench.keyer.request("page")
        await bench.clock.sleep(2.0)
        assert bench.keyer.view.state is Phase.KEYED
        bench.outputs[0].fails["missing"] = True
        began_s = bench.clock.monotonic_s()
        await bench.until(Phase.RELEASING)
        assert bench.clock.monotonic_s() - began_s < PRESENCE_S + 0.01
        assert bench.keyer.view.reasons == ("relay 0 is gone: gone",)

    scene(play)


def test_a_radio_that_will_not_unkey() -> None:
    """Told for ever; the relays fall after a second; nobody may key until it answers."""

    async def play(bench: Bench) -> None:
        await bench.keyer.request("page")
        bench.radio.fails["off"] = True
        began_s = bench.clock.monotonic_s()
        bench.keyer.release("page")
        await bench.clock.sleep(10.0)
        told = bench.since(began_s)
        relays = [at_s for at_s, name, _ in told if name != "radio"]
        assert STUCK_S <= relays[0] < STUCK_S + 0.3
        assert len(relays) == 2
        assert len(told) - 2 == pytest.approx(10.0 / 0.25, abs=2)
        assert bench.keyer.view.state is Phase.RELEASING
        assert bench.keyer.view.stuck == ("radio does not switch off: stuck",)
        with pytest.raises(KeyingRefused, match="radio does not switch off"):
            await bench.keyer.request("page")
        assert bench.held[-1][1] is True
        bench.radio.fails["off"] = False
        await bench.until(Phase.RELEASED)
        assert bench.keyer.view.stuck == ()
        await bench.keyer.request("page")

    scene(play)


def test_an_output_is_not_switched_on_once_it_is_not_wanted_any_more() -> None:
    clock = VirtualClock(T0)
    answers = iter([True, False, False, False])

    async def main() -> None:
        log: list[tuple[float, str, str]] = []
        radio = Fake("radio", clock, log)
        switching = Switching((radio,), Sequence([Stage(0.0, 0.0)]), clock, asyncio.Event())
        assert await switching._switch(Switch(0, on=True), lambda: next(answers)) is None
        assert log == []

    clock.run(main())


@pytest.mark.parametrize(("takes_s", "in_time"), [(0.3, True), (0.5, False)])
def test_time_in_which_this_process_stood_still_is_not_the_outputs(
    takes_s: float, in_time: bool
) -> None:
    clock = VirtualClock(T0)

    class Two(Fake):
        """Switches on in two steps, between which the process stands still."""

        async def on(self) -> None:
            await clock.sleep(takes_s)
            clock.stall(0.5)
            await clock.sleep(takes_s)

    async def main() -> None:
        relay = Two("relay", clock, [])
        switching = Switching((relay,), Sequence([Stage(0.0, 0.0)]), clock, asyncio.Event())
        trouble = await switching._switch(Switch(0, on=True), lambda: True)
        assert trouble == ("" if in_time else NO_ANSWER.format(DEADLINE_S))

    clock.run(main())


@pytest.mark.parametrize("after_s", [0.0, 0.1, 0.31, 0.35, 3.0])
@pytest.mark.parametrize("cancels", [1, 3])
def test_cancelled_at_any_moment_it_falls_in_order(after_s: float, cancels: int) -> None:
    clock = VirtualClock(T0)

    async def main() -> None:
        bench = Bench(clock, table(((250, 100), (60, 20), (0, 30))))
        bench.radio.takes_s = {"on": 0.1, "off": 0.05}
        task = asyncio.create_task(bench.keyer.run())
        await clock.sleep(1.0)
        request = asyncio.create_task(bench.keyer.request("page"))
        await clock.sleep(after_s + 1e-4)
        ended_s = clock.monotonic_s()
        for _ in range(cancels):
            task.cancel()
            await clock.sleep(0.01)
        await asyncio.gather(task, request, return_exceptions=True)
        told = bench.since(ended_s)
        assert "on?" not in [what for _, _, what in told]
        assert [name for _, name, what in told if what == "close"] == [
            "radio",
            "relay 1",
            "relay 0",
        ]
        offs = [name for _, name, what in told if what == "off?"]
        assert "off?" not in [what for _, _, what in told[-3:]]  # closed when all is off
        assert offs == sorted(offs, key=["radio", "relay 1", "relay 0"].index)
        if after_s >= 0.31:
            assert told[0] == (0.0, "radio", "off?")
            assert offs == ["radio", "relay 1", "relay 0"]
        assert bench.held[-1][1] is False
        with pytest.raises(KeyingRefused, match="not running"):
            await bench.keyer.request("page")

    clock.run(main())


def test_cancelled_while_unkeying_it_unkeys() -> None:
    clock = VirtualClock(T0)

    async def main() -> None:
        bench = Bench(clock, table(((0, 0), (0, 30))))
        task = asyncio.create_task(bench.keyer.run())
        await clock.sleep(1.0)
        await bench.keyer.request("page")
        bench.radio.takes_s["off"] = 0.2
        bench.keyer.release("page")
        await clock.sleep(0.1)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        assert "off" in [what for _, name, what in bench.log[-6:] if name == "radio"]

    clock.run(main())


@pytest.mark.parametrize("order", ["ended by itself", "ended by a release"])
def test_released_at_the_stop_after_all_stuck_outputs_keep_their_release_times(order: str) -> None:
    """What does not switch off is tried once more at the end; what then does switch off takes its
    release time, before the output in front of it may."""
    clock = VirtualClock(T0)

    async def main() -> None:
        bench = Bench(clock, table(((0, 40), (0, 10))))
        task = asyncio.create_task(bench.keyer.run())
        await clock.sleep(0.3)
        await bench.keyer.request("page")
        for output in bench.outputs:
            output.fails["off"] = True
        if order == "ended by a release":
            bench.keyer.release("page")
        else:
            bench.conditions = LOW
        await clock.sleep(3.0)
        assert len(bench.keyer.view.stuck) == 2
        bench.log.clear()
        for output in bench.outputs:
            output.fails["off"] = False
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        first = {(name, what): at_s for at_s, name, what in reversed(bench.log)}
        assert first["relay 0", "off?"] >= first["radio", "off"] + 0.01 - EPSILON_S
        assert first["relay 0", "close"] >= first["relay 0", "off"]

    clock.run(main())


def test_an_error_of_our_own_falls_too() -> None:
    clock = VirtualClock(T0)

    async def main() -> None:
        bench = Bench(clock, table(((10, 0), (0, 30))))
        task = asyncio.create_task(bench.keyer.run())
        await clock.sleep(1.0)
        await bench.keyer.request("page")

        def broken(view: KeyingView) -> None:
            raise RuntimeError("a reader of the view")

        bench.keyer._changed = broken
        bench.conditions = LOW
        with pytest.raises(RuntimeError, match="a reader"):
            await task
        last = {name: what for _, name, what in bench.log if what != "close"}
        assert set(last.values()) == {"off"}

    clock.run(main())


def test_keying_that_is_not_enabled_touches_nothing() -> None:
    clock = VirtualClock(T0)

    async def main() -> None:
        config = table(((10, 0), (0, 30))).model_copy(update={"enabled": False})
        bench = Bench(clock, config)
        await bench.keyer.run()
        assert bench.log == []
        assert bench.keyer.view.state is Phase.RELEASED
        with pytest.raises(KeyingRefused, match="not enabled"):
            await bench.keyer.request("page")

    clock.run(main())


# --- any order of events ------------------------------------------------------------------------

EVENTS = st.tuples(
    st.sampled_from([0, 1, 20, 60, 200, 700]),  # milliseconds to wait first
    st.sampled_from(
        ["request a", "request b", "release a", "release b", "forbid", "forbid and say so",
         "allow", "fail on", "fail off", "slow on", "slow off", "hang on", "heal", "cancel request"]
    ),
    st.integers(0, 2),
)  # fmt: skip


@settings(max_examples=250, deadline=None)
@given(
    times=st.lists(
        st.tuples(st.sampled_from([0, 30, 200]), st.sampled_from([10, 50])), min_size=1, max_size=3
    ),
    events=st.lists(EVENTS, min_size=3, max_size=25),
)
def test_any_order_of_events(
    times: list[tuple[int, int]], events: list[tuple[int, str, int]]
) -> None:
    clock = VirtualClock(T0)
    config = table(tuple(times))
    forbidden: list[tuple[float, bool, bool]] = []  # when, forbidden, said so

    async def main() -> Bench:
        bench = Bench(clock, config)
        task = asyncio.create_task(bench.keyer.run())
        await clock.sleep(0.3)
        requests: list[asyncio.Task[None]] = []
        for wait_ms, event, index in events:
            await clock.sleep(wait_ms / 1000)
            output = bench.outputs[min(index, len(times) - 1)]
            match event.split():
                case ["request", who]:
                    requests.append(asyncio.create_task(bench.keyer.request(who)))
                case ["release", who]:
                    bench.keyer.release(who)
                case ["forbid", *say]:
                    bench.conditions = LOW
                    forbidden.append((clock.monotonic_s(), True, bool(say)))
                    if say:
                        bench.keyer.recheck()
                case ["allow"]:
                    bench.conditions = GOOD
                    forbidden.append((clock.monotonic_s(), False, False))
                case ["fail", what]:
                    output.fails[what] = True
                case ["slow", what]:
                    output.takes_s[what] = 0.04
                case ["hang", what]:
                    output.takes_s[what] = 1e6
                case ["heal"]:
                    output.fails = {"on": False, "off": False, "open": False}
                    output.takes_s = {"on": 0.0, "off": 0.0}
                case ["cancel", _]:
                    for request in requests:
                        request.cancel()
            await asyncio.sleep(0)
        for output in bench.outputs:
            output.fails["off"], output.takes_s["off"] = False, 0.0
        task.cancel()
        await asyncio.gather(task, *requests, return_exceptions=True)
        return bench

    bench = clock.run(main())
    judge(bench, config, forbidden)


def judge(bench: Bench, config: KeyingSettings, forbidden: list[tuple[float, bool, bool]]) -> None:
    """Hold the log against what must never happen; pessimistic as to what is on when."""
    names = [output.name for output in config.outputs]
    on_since_s = dict.fromkeys(names, math.nan)  # confirmed
    maybe_on = dict.fromkeys(names, True)
    off_since_s = dict.fromkeys(names, -math.inf)
    told_off_s = dict.fromkeys(names, math.inf)
    for at_s, name, what in bench.log:
        index = names.index(name)
        if what == "on?":
            for before in range(index):
                settle_s = config.outputs[before].settle_ms / 1000
                assert maybe_on[names[before]]
                assert at_s >= on_since_s[names[before]] + settle_s
            assert not forbidden_at(forbidden, at_s)
            assert [on for held_s, on in bench.held if held_s <= at_s][-1:] == [True]
            maybe_on[name], on_since_s[name] = True, math.nan
            told_off_s[name] = math.inf
        elif what == "on":
            assert maybe_on[name], "a switch-on that was broken off has come through"
            on_since_s[name] = at_s
        elif what == "off?":
            told_off_s[name] = min(told_off_s[name], at_s)
            on_since_s[name] = math.nan
            for after in names[index + 1 :]:
                release_s = config.outputs[names.index(after)].release_ms / 1000
                if maybe_on[after]:
                    assert at_s - told_off_s[after] >= STUCK_S - EPSILON_S
                else:
                    assert at_s - off_since_s[after] >= release_s - EPSILON_S
        elif what == "off":
            maybe_on[name], off_since_s[name], told_off_s[name] = False, at_s, math.inf
    assert not any(maybe_on.values())
    survives_no_interlock(bench, names[-1], forbidden)


def forbidden_at(forbidden: list[tuple[float, bool, bool]], at_s: float) -> bool:
    """Forbidden from before that instant until after it."""
    before = [on for when_s, on, _ in forbidden if when_s < at_s - EPSILON_S]
    during = [on for when_s, on, _ in forbidden if abs(when_s - at_s) <= EPSILON_S]
    return bool(before and before[-1] and all(during))


def survives_no_interlock(
    bench: Bench, radio: str, forbidden: list[tuple[float, bool, bool]]
) -> None:
    """Whenever it becomes forbidden with the radio keyed, the radio is told to receive: at the same
    instant if we were told, else at the next look."""
    told = [(at_s, what) for at_s, name, what in bench.log if name == radio]
    for index, (from_s, on, said) in enumerate(forbidden):
        until_s = forbidden[index + 1][0] if index + 1 < len(forbidden) else math.inf
        state = [what for at_s, what in told if at_s < from_s - EPSILON_S]
        limit_s = from_s + (0.0 if said else POLL_S) + EPSILON_S
        if on and state and state[-1] in ("on?", "on") and until_s > limit_s:
            assert any(
                what == "off?" and from_s - EPSILON_S <= at_s <= limit_s for at_s, what in told
            )


# --- real time ------------------------------------------------------------------------------------


@pytest.mark.alone
def test_key_to_rf_in_real_time() -> None:
    """Simulated outputs on the machine's clock: never shorter than the settle times, and at most
    5 ms longer, less what the machine gave to other programs. It may also wake a timer late, so the
    upper limit is held against the best quarter; a delay of our own would shift them all."""
    config = table(((20, 10), (15, 10), (10, 10), (5, 10), (0, 10)))
    settle_s = 0.050

    async def main() -> tuple[list[float], list[float]]:
        clock = SystemClock()
        made = make_outputs(config, clock, key_radio=unused, publish=unused_publish, ports=Ports())
        radio = made[-1]
        assert isinstance(radio, SimulatedOutput)
        keyer = Keyer(config, made, clock, lambda: GOOD, lambda on: None)
        task = asyncio.create_task(keyer.run())
        while keyer.view.state is not Phase.RELEASED:
            await clock.sleep(0.01)
        late_s, own_late_s = [], []
        for _ in range(12):
            asked_s, began_s = clock.monotonic_s(), unloaded_s()
            await keyer.request("page")
            own_late_s.append(unloaded_s() - began_s - settle_s)
            late_s.append(radio.changes[-1][0] - asked_s - settle_s)
            keyer.release("page")
            while keyer.view.state is not Phase.RELEASED:
                await clock.sleep(0.01)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        return late_s, own_late_s

    late_s, own_late_s = asyncio.run(main())
    assert min(late_s) >= 0.0
    assert sorted(own_late_s)[len(own_late_s) // 4] <= 0.005


async def unused(on: bool) -> None:
    raise AssertionError("no radio here")


async def unused_publish(topic: str, payload: str) -> None:
    raise AssertionError("no broker here")
