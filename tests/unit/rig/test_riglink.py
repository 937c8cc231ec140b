"""The rig link on a simulated radio and a virtual clock: steps on time, faults by name, nobody
fought."""

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import replace
from typing import Any, ClassVar

import pytest

from moontrim.clock.system import SystemClock
from moontrim.clock.virtual import VirtualClock
from moontrim.rig.latency import Durations
from moontrim.rig.link import RigLink
from moontrim.rig.view import Connected, DialMoved, LinkState, Lost, TransmitChanged
from moontrim.tuning.bandentry import BandEntry
from moontrim.tuning.steps import Plan, Ramp, Step
from moontrim_drivers.contract import (
    Capabilities,
    RigClosed,
    RigDetails,
    RigGarbled,
    RigRefused,
    RigState,
    RigTimeout,
)
from moontrim_drivers.rigctld.driver import SocketDriver
from moontrim_drivers.simulated.driver import SimulatedDriver, SimulatedOptions
from support.fake_rig_server import FakeRigServer

T0 = 1_795_000_000.0
BASE_HZ = 144_100_000


class Bench:
    """One link, its radio, and everything that happened."""

    def __init__(
        self,
        clock: VirtualClock,
        driver: type[SimulatedDriver],
        link_options: dict[str, Any],
        habits: dict[str, Any],
    ) -> None:
        self.clock = clock
        self.driver = driver(SimulatedOptions(**habits), clock)
        self.radio = self.driver.radio
        self.events: list[object] = []
        self.changes: list[tuple[float, int, int | None]] = []
        self.keyed_changes = 0
        self.radio.on_change = self._changed
        self.link = RigLink(self.driver, clock, self.events.append, seed=1, **link_options)

    def _changed(self, at_s: float, rx_hz: int, tx_hz: int | None, transmitting: bool) -> None:
        before = self.changes[-1][1:] if self.changes else None
        if transmitting and before is not None and before != (rx_hz, tx_hz):
            self.keyed_changes += 1
        self.changes.append((at_s, rx_hz, tx_hz))

    def submit(
        self, *steps: tuple[float, str, int], keyed: bool = False, at_once: bool = False
    ) -> None:
        """Steps as (seconds from now, which, hertz above the base)."""
        now = self.clock.utc_s()
        made = tuple(Step(now + at, which, BASE_HZ + hz) for at, which, hz in steps)  # type: ignore[arg-type]
        flat = Ramp(now, BASE_HZ, 0.0)
        plan = Plan(now, now + 1, flat, flat, True, "rx", 1, made, {}, keyed)
        self.link.submit(plan, at_once=at_once)

    def of(self, kind: type) -> list[Any]:
        return [event for event in self.events if isinstance(event, kind)]


def bench(
    scene: Callable[[Bench], Coroutine[Any, Any, None]],
    link: dict[str, Any] | None = None,
    driver: type[SimulatedDriver] = SimulatedDriver,
    **habits: Any,
) -> Bench:
    clock = VirtualClock(T0)

    async def main() -> Bench:
        made = Bench(clock, driver, link or {}, habits)
        task = asyncio.create_task(made.link.run())
        await clock.sleep(0.5)
        await scene(made)
        if not task.done():
            task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        return made

    return clock.run(main())


def test_steps_take_effect_at_their_instants() -> None:
    """With the duration of a set known, the dial moves within a millisecond of the planned
    instant."""

    async def scene(b: Bench) -> None:
        for _ in range(5):
            b.submit((0.4, "rx", 1), (0.7, "rx", 2), (0.9, "tx", 5), (0.95, "rx", 0))
            await b.clock.sleep(1.0)
        b.planned_s = b.clock.monotonic_s()  # type: ignore[attr-defined]
        b.submit((0.4, "rx", 1), (0.7, "rx", 2))
        await b.clock.sleep(1.0)

    done = bench(scene)
    start_s = done.planned_s  # type: ignore[attr-defined]
    late_s = [at - start_s for at, rx, _ in done.changes if at > start_s]
    assert late_s == pytest.approx([0.4, 0.7], abs=1e-3)
    assert done.link.view.state is LinkState.READY
    assert done.link.view.set_latency_s == pytest.approx(0.03)


def test_overdue_steps_collapse_to_the_newest() -> None:
    async def scene(b: Bench) -> None:
        b.submit(*((-1.0 + 0.01 * n, "rx", n) for n in range(50)))
        await b.clock.sleep(1.0)

    done = bench(scene)
    assert done.radio.rx_dial_hz == BASE_HZ + 49
    assert done.link.view.sets == 1


def test_a_new_plan_keeps_the_old_ones_last_steps() -> None:
    async def scene(b: Bench) -> None:
        b.submit((0.5, "rx", 7))
        now = b.clock.utc_s()
        flat = Ramp(now, BASE_HZ, 0.0)
        b.link.submit(
            Plan(now + 0.7, now + 1.7, flat, flat, True, "rx", 1,
                 (Step(now + 0.9, "rx", BASE_HZ + 8),), {}, False)
        )  # fmt: skip
        await b.clock.sleep(2.0)

    assert [rx - BASE_HZ for _, rx, _ in bench(scene).changes][-2:] == [7, 8]


@pytest.mark.parametrize(
    ("retunes", "steps_keyed", "moves"),
    [(True, True, True), (True, False, False), (False, True, False)],
)
def test_a_keyed_radio_is_only_retuned_if_it_can_and_should(
    retunes: bool, steps_keyed: bool, moves: bool
) -> None:
    async def scene(b: Bench) -> None:
        b.radio.key(True)
        b.submit((0.5, "tx", 3), keyed=steps_keyed)
        await b.clock.sleep(1.0)

    done = bench(scene, retunes_while_transmitting=retunes)
    assert (done.keyed_changes > 0) is moves
    assert done.link.view.failures == 0, "the radio was not even asked"
    assert done.of(TransmitChanged) == [TransmitChanged(True)]


def test_keyed_just_before_a_step_is_seen_in_time() -> None:
    async def scene(b: Bench) -> None:
        b.submit((0.50, "tx", 3))
        await b.clock.sleep(0.34)  # just before the look that precedes the step
        b.radio.key(True)
        await b.clock.sleep(1.0)

    assert bench(scene).keyed_changes == 0


def test_a_turned_dial_is_reported_and_the_plan_dropped() -> None:
    async def scene(b: Bench) -> None:
        b.submit((0.1, "rx", 1))
        await b.clock.sleep(0.3)
        b.submit((1.0, "rx", 2), (1.5, "rx", 3))
        b.radio.turn_dial(+500)
        await b.clock.sleep(3.0)

    done = bench(scene)
    assert done.of(DialMoved) == [DialMoved("rx", BASE_HZ + 1, BASE_HZ + 501)]
    assert done.radio.rx_dial_hz == BASE_HZ + 501, "left where the hand put it"
    assert done.link.view.rig is not None and done.link.view.rig.rx_dial_hz == BASE_HZ + 501


@pytest.mark.parametrize("before_s", [0.06, 0.2, 0.4])
def test_a_hand_just_before_a_set_wins(before_s: float) -> None:
    """The radio is looked at right before each set: 30 ms a look, 15 ms until the set acts."""

    async def scene(b: Bench) -> None:
        b.submit((0.1, "rx", 1))
        await b.clock.sleep(1.0)
        b.submit((1.0, "rx", 2))
        await b.clock.sleep(1.0 - before_s)
        b.radio.turn_dial(+500)
        await b.clock.sleep(1.0)

    done = bench(scene)
    assert done.radio.rx_dial_hz == BASE_HZ + 501, "not overwritten"
    assert done.of(DialMoved) == [DialMoved("rx", BASE_HZ + 1, BASE_HZ + 501)]


def test_one_and_two_dials_are_timed_apart() -> None:
    durations = Durations()
    for _ in range(9):
        durations.was_set(1, 0.1)
        durations.was_set(2, 0.16)
    assert (durations.set_s(1), durations.set_s(2)) == (0.1, 0.16)
    assert durations.lead_s(2, 0.5) == 0.08
    assert durations.steps_per_s(None, 5.0) == 5.0
    assert durations.steps_per_s(None) == pytest.approx(7.0)


def test_a_dial_never_set_alone_is_taken_for_two_and_one_that_takes_no_time_is_not() -> None:
    durations = Durations()
    assert durations.set_s() == durations.look_s() == 0.0
    durations.was_set(2, 0.4)
    assert durations.set_s(1) == 0.4
    durations.was_set(1, 0.0)
    assert durations.set_s(1) == 0.0 and durations.steps_per_s(3.0) == 3.0


def test_dropped_connection_comes_back_and_says_so() -> None:
    async def scene(b: Bench) -> None:
        b.submit((0.1, "rx", 5))
        await b.clock.sleep(0.5)
        b.radio.power_cycle()
        await b.clock.sleep(0.8)
        assert b.link.view.state is LinkState.NO_CONTACT
        await b.clock.sleep(8.0)

    done = bench(scene, unreachable_s=5.0)
    assert len(done.of(Lost)) >= 1
    assert len(done.of(Connected)) == 2
    assert done.of(DialMoved) == [], "a radio that was off was not turned by hand"
    assert done.link.view.state is LinkState.READY


def test_back_within_three_seconds_of_return() -> None:
    async def scene(b: Bench) -> None:
        b.radio.drop()
        await b.clock.sleep(60.0)
        before = len(b.of(Connected))
        await b.clock.sleep(3.0)
        assert before == 1 and len(b.of(Connected)) == 2

    bench(scene, unreachable_s=60.0)


def test_silent_radio_is_lost_within_the_deadline() -> None:
    async def scene(b: Bench) -> None:
        b.radio.change(silent=True)
        await b.clock.sleep(2.1)
        assert b.link.view.state in (LinkState.NO_CONTACT, LinkState.CONNECTING)
        assert b.of(Lost)
        b.radio.change(silent=False)
        b.radio.drop()
        await b.clock.sleep(8.0)
        assert b.link.view.state is LinkState.READY

    bench(scene)


def test_one_that_answers_no_more_is_not_waited_for_long() -> None:
    """Away for long enough that the pauses have grown, then there, but silent for a moment."""

    async def scene(b: Bench) -> None:
        b.radio.change(unreachable_s=10.0, silent=True)
        b.radio.drop()
        await b.clock.sleep(1.0)
        while not b.radio._connections:
            await b.clock.sleep(0.01)
        await b.clock.sleep(0.1)
        b.radio.change(silent=False)
        began_s, before = b.clock.monotonic_s(), b.link.view.connections
        while b.link.view.connections == before:
            await b.clock.sleep(0.01)
        # What was asked in silence stays unanswered for the two deadlines of opening.
        assert b.clock.monotonic_s() - began_s < 2 * 1.5 + 0.4

    bench(scene)


def test_refusing_radio_is_named_and_left_alone_for_a_while() -> None:
    async def scene(b: Bench) -> None:
        b.radio.change(refuse_probability=1.0)
        for _ in range(6):
            b.submit((0.2, "rx", 9))
            await b.clock.sleep(1.0)
        assert b.link.view.state is LinkState.REJECTS
        assert "rejected (simulated)" in b.link.view.reason
        assert 2 <= b.link.view.failures <= 4, "not asked every second"
        b.radio.change(refuse_probability=0.0)
        for _ in range(3):
            b.submit((0.2, "rx", 9))
            await b.clock.sleep(1.0)

    done = bench(scene)
    assert done.link.view.state is LinkState.READY
    assert done.radio.rx_dial_hz == BASE_HZ + 9


class Deaf(SimulatedDriver):
    """Says yes to every set and does nothing."""

    async def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        return await self.read()


def test_a_radio_that_does_not_do_what_it_says_is_found_out() -> None:
    clock = VirtualClock(T0)

    async def main() -> RigLink:
        driver = Deaf(SimulatedOptions(), clock)
        events: list[object] = []
        link = RigLink(driver, clock, events.append, seed=1)
        task = asyncio.create_task(link.run())
        await clock.sleep(0.5)
        now = clock.utc_s()
        flat = Ramp(now, BASE_HZ, 0.0)
        step = Step(now + 0.3, "rx", BASE_HZ + 4)
        link.submit(Plan(now, now + 1, flat, flat, True, "rx", 1, (step,), {}, False))
        await clock.sleep(1.0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        assert not [e for e in events if isinstance(e, DialMoved)], "nobody turned that dial"
        return link

    link = clock.run(main())
    assert link.view.state is LinkState.MISMATCH
    assert "144 100 004" in link.view.reason


def test_retire_leaves_the_dial_where_told_and_ends() -> None:
    async def scene(b: Bench) -> None:
        b.submit((0.1, "rx", 50), (0.1, "tx", -50))
        await b.clock.sleep(0.5)
        b.link.retire(BASE_HZ, BASE_HZ)
        await b.clock.sleep(0.5)

    done = bench(scene)
    assert (done.radio.rx_dial_hz, done.radio.tx_dial_hz) == (BASE_HZ, BASE_HZ)


def test_retire_does_not_touch_a_keyed_radio() -> None:
    async def scene(b: Bench) -> None:
        b.submit((0.1, "tx", -50))
        await b.clock.sleep(0.5)
        b.radio.key(True)
        b.link.retire(BASE_HZ, BASE_HZ)
        await b.clock.sleep(0.5)

    done = bench(scene, retunes_while_transmitting=True)
    assert done.radio.tx_dial_hz == BASE_HZ - 50
    assert done.keyed_changes == 0


def test_steps_per_second_follow_what_a_set_takes() -> None:
    async def scene(b: Bench) -> None:
        b.submit((0.1, "rx", 1))
        await b.clock.sleep(1.0)

    assert bench(scene, latency_s=0.1).link.view.steps_per_s == pytest.approx(7.0)
    slow = bench(scene, {"max_steps_per_s": 0.5})
    assert slow.link.view.steps_per_s == 0.5


def test_a_drivers_own_pauses_do_not_count_against_the_deadline() -> None:
    """A rig-control daemon that cannot name its VFOs needs half a second before each set; with a
    radio of 0.2 s an answer, both dials take 2 s, more than the deadline for an answer."""

    async def slowly(line: str, reply: bytes, writer: asyncio.StreamWriter) -> bool:
        await asyncio.sleep(0.2)
        return False

    async def main() -> tuple[FakeRigServer, list[object]]:
        clock, events = SystemClock(), []
        async with FakeRigServer(vfo_option=False, meddle=slowly) as rig:
            driver = SocketDriver(SocketDriver.Options(port=rig.port), clock)
            link = RigLink(driver, clock, events.append, deadline_s=1.5)
            task = asyncio.create_task(link.run())
            for hz in (1, 2):
                now = clock.utc_s()
                flat = Ramp(now, BASE_HZ, 0.0)
                steps = tuple(Step(now + 2.0, which, BASE_HZ + hz) for which in ("rx", "tx"))
                await asyncio.sleep(1.9)
                link.submit(Plan(now, now + 1, flat, flat, True, "rx", 1, steps, {}, False))
                await asyncio.sleep(2.6)
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
        return rig, events

    rig, events = asyncio.run(main())
    assert rig.dials_hz == {"VFOA": BASE_HZ + 2, "VFOB": BASE_HZ + 2}
    assert not [event for event in events if isinstance(event, Lost)]


class Picky(SimulatedDriver):
    """Takes commands of its own kind, and no mode."""

    sent: ClassVar[list[tuple[str, ...]]] = []

    async def send_commands(self, commands: Sequence[str]) -> None:
        self.sent.append(tuple(commands))

    async def set_mode(self, mode: str, passband_hz: int) -> None:
        raise RigRefused("no such mode")

    async def details(self) -> RigDetails:
        raise ValueError("a mistake")


def test_commands_go_out_once_also_while_the_mode_is_refused() -> None:
    """One that exchanges something would do so every two seconds."""
    Picky.sent = sent = []

    async def scene(b: Bench) -> None:
        b.link.enter_band(BandEntry("test", 0.0, 1e12, None, "CW", 0, ("XX;",)))
        await b.clock.sleep(20.0)
        assert "no such mode" in b.link.view.interlock
        b.link.enter_band(BandEntry("test", 0.0, 1e12, None, "CW", 0, ("XX;",)))
        await b.clock.sleep(5.0)

    bench(scene, driver=Picky)
    assert sent == 2 * [("XX;",)], "once on each entering"


def test_whoever_asked_is_told_of_a_mistake_in_a_driver() -> None:
    async def scene(b: Bench) -> None:
        async with b.clock.timeout(5.0):
            with pytest.raises(RigGarbled, match="a mistake"):
                await b.link.details()

    bench(scene, driver=Picky)


def test_a_refused_transmit_dial_is_no_hand_on_the_receive_dial() -> None:
    """Of two dials the first was set by us, the second refused."""

    class Halfway(SimulatedDriver):
        async def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
            await super().set_dials(rx_hz, None)
            raise RigRefused("not there")

    async def scene(b: Bench) -> None:
        b.submit((0.1, "rx", 5000), (0.1, "tx", 7000))
        await b.clock.sleep(1.0)
        assert b.radio.rx_dial_hz == BASE_HZ + 5000
        assert not b.of(DialMoved) and b.link.view.state is LinkState.REJECTS
        b.radio.turn_dial(10)
        await b.clock.sleep(1.0)
        assert len(b.of(DialMoved)) == 1, "but this is one"

    bench(scene, driver=Halfway)


def test_a_mode_set_in_many_steps_has_a_deadline_for_each() -> None:
    """With a driver's own pauses between the sets of it, the whole took longer than one answer."""

    class Paced(SimulatedDriver):
        @property
        def capabilities(self) -> Capabilities:
            return replace(super().capabilities, driver_pauses_s=1.0)

        async def set_mode(self, mode: str, passband_hz: int) -> None:
            await self.clock.sleep(1.0)
            await super().set_mode(mode, passband_hz)
            self.radio.turn_dial(700)

        async def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
            await self.clock.sleep(1.0)
            return await super().set_dials(rx_hz, tx_hz)

    async def scene(b: Bench) -> None:
        await b.link.set_mode("CW", 0)
        assert b.radio.mode == "CW" and b.radio.rx_dial_hz == BASE_HZ
        assert not b.of(Lost)

    bench(scene, driver=Paced)


# --- keying ---


def test_held_for_relays_the_radio_is_left_alone_and_keyed_at_once() -> None:
    async def scene(b: Bench) -> None:
        b.link.hold_for_relays(True)
        await b.clock.sleep(0.1)
        b.radio.change(drop_every=1)  # the next command of any kind would lose the connection
        b.submit((0.1, "rx", 5))
        await b.clock.sleep(2.0)
        assert b.link.view.state is LinkState.READY, "neither looked at nor set"
        b.radio.change(drop_every=0)
        began_s = b.clock.monotonic_s()
        await b.link.key(lambda: "")
        assert b.clock.monotonic_s() - began_s == pytest.approx(0.06), "one look, one command"
        assert b.radio.transmitting
        b.link.hold_for_relays(False)
        await b.clock.sleep(0.2)
        assert b.link.view.rig is not None and b.link.view.rig.transmitting
        await b.link.unkey()
        await b.clock.sleep(0.5)
        assert not b.radio.transmitting
        assert len(b.of(TransmitChanged)) == 2, "the tracker plans anew at each"

    bench(scene)


def test_held_for_relays_during_the_look_before_a_set_there_is_no_set() -> None:
    """Relays may begin to move in just that moment, as after the machine has stood still."""

    async def scene(b: Bench) -> None:
        await b.clock.sleep(0.2)  # the last look is too old to set the radio by
        before_hz = b.radio.rx_dial_hz
        b.submit((0.0, "rx", 5))
        await b.clock.sleep(0.01)
        b.link.hold_for_relays(True)
        await b.clock.sleep(2.0)
        assert b.radio.rx_dial_hz == before_hz
        b.link.hold_for_relays(False)
        b.submit((0.0, "rx", 5))
        await b.clock.sleep(0.2)
        assert b.radio.rx_dial_hz == BASE_HZ + 5

    bench(scene)


def test_held_for_relays_neither_mode_nor_power_are_set() -> None:
    async def scene(b: Bench) -> None:
        b.link.hold_for_relays(True)
        before = b.radio.details()
        for ask in (b.link.set_mode("CW", 0), b.link.set_power(0.2)):
            with pytest.raises(RigRefused, match="relays"):
                await ask
        assert b.radio.details() == before
        b.link.hold_for_relays(False)
        await b.link.set_mode("CW", 0)
        await b.link.set_power(0.2)
        assert b.radio.details() != before

    bench(scene)


def test_a_key_that_cannot_go_through_says_so() -> None:
    async def scene(b: Bench) -> None:
        b.link.allow_transmit(False)
        with pytest.raises(RigRefused, match="inhibited"):
            await b.link.key(lambda: "")
        b.link.allow_transmit(True)
        b.radio.change(refuse_every=1)
        with pytest.raises(RigRefused):
            await b.link.key(lambda: "")
        b.radio.change(refuse_every=0, silent=True)
        with pytest.raises(RigTimeout):
            await b.link.key(lambda: "")
        with pytest.raises(RigClosed):
            await b.link.unkey()
        assert not b.radio.transmitting

    bench(scene)


def test_a_doubt_that_comes_up_during_the_last_look_keeps_the_key_back() -> None:
    async def scene(b: Bench) -> None:
        with pytest.raises(RigRefused, match="did not run"):
            await b.link.key(lambda: "moontrim did not run")
        assert not b.radio.transmitting and b.link.view.rig is not None

    bench(scene)


def test_a_relay_tells_for_a_radio_that_cannot() -> None:
    async def scene(b: Bench) -> None:
        b.link.set_keyed_outside(False)
        b.submit((0.2, "rx", 1))
        await b.clock.sleep(0.5)
        assert b.radio.rx_dial_hz == BASE_HZ + 1
        b.link.set_keyed_outside(True)
        b.submit((0.2, "rx", 2))
        await b.clock.sleep(1.0)
        assert b.radio.rx_dial_hz == BASE_HZ + 1, "never retuned while it transmits"
        assert [event.transmitting for event in b.of(TransmitChanged)] == [False, True]
        b.link.set_keyed_outside(False)
        b.submit((0.2, "rx", 3))
        await b.clock.sleep(1.0)
        assert b.radio.rx_dial_hz == BASE_HZ + 3

    bench(scene, reports_transmit=False)
