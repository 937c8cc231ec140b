"""The transmit sequence under every order of events: no RF before a relay has settled, none that
survives a fault, no relay that opens under RF.

The world below keeps its own, pessimistic account: an output is taken for on from the moment it is
told to switch on until it confirms off, and for settled only from its confirmation."""

import math
from itertools import pairwise

import pytest
from hypothesis import Phase as Phase_
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from moontrim.keying.sequence import (
    RETRY_S,
    STUCK_S,
    Phase,
    Role,
    Sequence,
    Stage,
    Switch,
)

EPSILON_S = 1e-9


class TransmitSequence(RuleBasedStateMachine):
    @initialize(
        times=st.lists(
            st.tuples(
                st.sampled_from([0, 1, 30, 250, 1000]),
                st.sampled_from([0, 20, 400]),
                st.sampled_from(Role),
            ),
            min_size=1,
            max_size=4,
        )
    )
    def begin(self, times: list[tuple[int, int, Role]]) -> None:
        self.stages = [
            Stage(settle / 1000, release / 1000, role) for settle, release, role in times
        ]
        self.radio = len(times) - 1
        self.sequence = Sequence(self.stages)
        self.now_s = 100.0
        self.maybe_on = [True] * len(times)
        self.on_since_s = [math.nan] * len(times)
        self.off_since_s = [-math.inf] * len(times)
        self.told_off_since_s = [math.inf] * len(times)
        self.unkeying_failed = False
        self.under_way: Switch | None = None
        self.superseded: list[Switch] = []
        self.raising_allowed = False

    # --- what may happen --------------------------------------------------------------------------

    @rule(ms=st.sampled_from([0, 1, 19, 20, 30, 250, 999, 5000]))
    def time_passes(self, ms: int) -> None:
        self.now_s += ms / 1000

    @rule()
    def time_passes_to_the_next_instant(self) -> None:
        next_s = self.sequence.next_s()
        if next_s is not None:
            self.now_s = max(self.now_s, next_s)

    @rule(steps=st.integers(1, 12))
    def goes_well(self, steps: int) -> None:
        """Whatever is due is done at once, and time passes to the next instant."""
        for _ in range(steps):
            if self.under_way is not None:
                self.done()
            self.step()
            if self.under_way is None:
                self.time_passes_to_the_next_instant()

    @rule()
    def step(self) -> None:
        expected_s = self.sequence.next_s()
        switch = self.sequence.due(self.now_s)
        if switch is None:
            return
        assert self.under_way is None
        assert expected_s is not None
        assert expected_s <= self.now_s
        self.under_way = switch
        if switch.on:
            self._told_on(switch.index)
        else:
            self._told_off(switch.index)

    @precondition(lambda self: self.under_way is not None)
    @rule()
    def done(self) -> None:
        switch, self.under_way = self.under_way, None
        assert switch is not None
        self.sequence.done(switch, self.now_s)
        if switch.on:
            self.on_since_s[switch.index] = self.now_s
        else:
            self.maybe_on[switch.index] = False
            self.off_since_s[switch.index] = self.now_s
            self.told_off_since_s[switch.index] = math.inf
            if switch.index == self.radio:
                self.unkeying_failed = False

    @precondition(lambda self: self.under_way is not None)
    @rule()
    def failed(self) -> None:
        switch, self.under_way = self.under_way, None
        assert switch is not None
        self.sequence.failed(switch, self.now_s)
        if switch.on:
            self._dropped()
        elif switch.index == self.radio:
            self.unkeying_failed = True

    @precondition(lambda self: self.under_way is not None and not self.under_way.on)
    @rule()
    def switch_off_broken_off(self) -> None:
        self.sequence.abandon_switch()
        self.under_way = None

    @precondition(lambda self: self.superseded)
    @rule(as_done=st.booleans())
    def late_answer(self, as_done: bool) -> None:
        """An answer to a switch-on that a drop has overtaken."""
        switch = self.superseded.pop()
        if switch != self.under_way:
            answer = self.sequence.done if as_done else self.sequence.failed
            answer(switch, self.now_s)

    @precondition(lambda self: self.sequence.phase is Phase.RELEASED)
    @rule()
    def request(self) -> None:
        self.sequence.request(self.now_s)
        self.raising_allowed = True

    @rule()
    def drop(self) -> None:
        """Release, interlock, timeout: all the same to the sequence."""
        if self.under_way is not None and self.under_way.on:
            self.superseded.append(self.under_way)
            self.under_way = None
        self.sequence.drop(self.now_s)
        self._dropped()

    # --- what must hold ---------------------------------------------------------------------------

    def _told_on(self, index: int) -> None:
        assert self.raising_allowed, "switched on after a drop, without a new request"
        for before in range(index):
            assert self.maybe_on[before]
            settled_s = self.on_since_s[before] + self.stages[before].settle_s
            assert self.now_s >= settled_s, f"{index} switched on before {before} had settled"
        self.maybe_on[index] = True
        self.on_since_s[index] = math.nan

    def _told_off(self, index: int) -> None:
        role = self.stages[index].role
        at_once = role is Role.AMPLIFIER and self.unkeying_failed
        for after in range(index + 1, len(self.stages)):
            if self.maybe_on[after]:
                if at_once or self._relay_waits(after):
                    continue
                assert role is not Role.RELAY, f"{index} carries RF and opens while {after} is on"
                tried_s = self.now_s - self.told_off_since_s[after]
                assert tried_s >= STUCK_S - EPSILON_S, f"{index} opens while {after} is on"
            elif not at_once:
                quiet_s = self.now_s - self.off_since_s[after]
                assert quiet_s >= self.stages[after].release_s - EPSILON_S
        self.told_off_since_s[index] = min(self.told_off_since_s[index], self.now_s)

    def _relay_waits(self, index: int) -> bool:
        """A relay that stays where it is: what is behind it has not switched off for so long."""
        behind = range(index + 1, len(self.stages))
        return self.stages[index].role is Role.RELAY and any(
            self.maybe_on[i] and self.now_s - self.told_off_since_s[i] >= STUCK_S - EPSILON_S
            for i in behind
        )

    def _dropped(self) -> None:
        self.raising_allowed = False
        if self.sequence.phase is Phase.RELEASING and self.under_way is None:
            told = self.told_off_since_s[self.radio] < math.inf
            if self.maybe_on[self.radio] and not told:
                self.step()
                assert self.under_way == Switch(self.radio, on=False), "RF survives a drop"

    @invariant()
    def keyed_only_when_all_is_on(self) -> None:
        if self.sequence.phase is Phase.KEYED:
            assert all(self.maybe_on)
            assert all(not math.isnan(since_s) for since_s in self.on_since_s)
            assert self.now_s >= self.on_since_s[self.radio] + self.stages[self.radio].settle_s

    @invariant()
    def idle_only_when_all_is_off(self) -> None:
        if self.sequence.phase is Phase.RELEASED:
            assert not any(self.maybe_on)

    @invariant()
    def rf_is_known(self) -> None:
        if self.raising_allowed and self.maybe_on[self.radio]:
            assert self.sequence.rf_since_s is not None

    def teardown(self) -> None:
        """Once everything answers again, it comes to rest, and in bounded time."""
        if not hasattr(self, "sequence"):
            return
        self.drop()
        longest_s = sum(stage.release_s for stage in self.stages) + RETRY_S
        began_s = self.now_s + max(stage.release_s for stage in self.stages)
        for _ in range(50):
            if self.under_way is not None:
                self.done()
            self.step()
            if self.under_way is None:
                self.time_passes_to_the_next_instant()
            if self.sequence.phase is Phase.RELEASED:
                break
        assert self.sequence.phase is Phase.RELEASED
        assert self.now_s <= began_s + longest_s + EPSILON_S


TestTransmitSequence = TransmitSequence.TestCase
TestTransmitSequence.settings = settings(
    max_examples=200, stateful_step_count=50, deadline=None, phases=[Phase_.generate, Phase_.shrink]
)


def settled(*times: tuple[float, float]) -> Sequence:
    """Idle at instant 0."""
    made = Sequence(Stage(*pair) for pair in times)
    walk(made, -100.0)
    assert made.phase is Phase.RELEASED
    return made


def walk(sequence: Sequence, now_s: float) -> list[tuple[float, int, bool]]:
    """Let it run by itself, every switch done at once; what it did when."""
    seen = []
    for _ in range(50):
        switch = sequence.due(now_s)
        if switch is not None:
            seen.append((round(now_s, 6), switch.index, switch.on))
            sequence.done(switch, now_s)
        elif (next_s := sequence.next_s()) is not None:
            now_s = max(now_s, next_s)
        else:
            return seen
    raise AssertionError("it does not come to rest")


def test_up_in_order_and_down_in_reverse() -> None:
    sequence = settled((0.25, 0.1), (0.06, 0.02), (0.0, 0.03))
    sequence.request(1.0)
    assert walk(sequence, 1.0) == [(1.0, 0, True), (1.25, 1, True), (1.31, 2, True)]
    assert sequence.phase is Phase.KEYED
    assert sequence.rf_since_s == pytest.approx(1.31)
    sequence.drop(5.0)
    assert walk(sequence, 5.0) == [(5.0, 2, False), (5.03, 1, False), (5.05, 0, False)]
    assert sequence.phase is Phase.RELEASED
    assert sequence.rf_since_s is None


def test_everything_is_switched_off_at_the_start() -> None:
    sequence = Sequence([Stage(0.1, 0.01), Stage(0.0, 0.03)])
    assert walk(sequence, 0.0) == [(0.0, 1, False), (0.03, 0, False)]


def test_a_drop_while_raising_only_lowers_what_was_raised() -> None:
    sequence = settled((1.0, 0.0), (1.0, 0.0), (0.0, 0.03))
    sequence.request(0.0)
    first = sequence.due(0.0)
    assert first == Switch(0, on=True)
    sequence.done(first, 0.0)
    sequence.drop(0.4)
    assert walk(sequence, 0.4) == [(0.4, 0, False)]


def test_a_radio_that_will_not_unkey_is_told_for_ever_and_the_relays_wait_a_second() -> None:
    sequence = settled((0.0, 0.0), (0.0, 0.03))
    sequence.request(0.0)
    walk(sequence, 0.0)
    sequence.drop(10.0)
    now_s, radio, relay = 10.0, [], []
    while now_s < 20.0:
        switch = sequence.due(now_s)
        if switch is None:
            now_s = max(now_s, sequence.next_s() or math.inf)
            continue
        if switch.index == 1:
            radio.append(now_s)
            sequence.failed(switch, now_s)
        else:
            relay.append(now_s)
            sequence.done(switch, now_s)
    assert relay == [pytest.approx(11.03)]
    assert sequence.stuck == (1,)
    assert radio[0] == 10.0
    assert max(b - a for a, b in pairwise(radio)) <= RETRY_S + EPSILON_S
    assert walk(sequence, 20.0)[-1][1:] == (1, False)
    assert sequence.phase is Phase.RELEASED


def test_a_radio_that_will_not_unkey_loses_its_amplifier_at_once_and_no_relay() -> None:
    stages = (
        Stage(0.0, 0.1, Role.RELAY),
        Stage(0.0, 0.1),
        Stage(0.0, 0.1, Role.AMPLIFIER),
        Stage(0.0, 0.03),
    )
    sequence = Sequence(stages)
    walk(sequence, -100.0)
    sequence.request(0.0)
    walk(sequence, 0.0)
    sequence.drop(10.0)
    now_s, off = 10.0, {}
    while now_s < 20.0:
        switch = sequence.due(now_s)
        if switch is None:
            now_s = max(now_s, sequence.next_s() or math.inf)
        elif switch.index == 3:
            sequence.failed(switch, now_s)
        else:
            off[switch.index] = now_s
            sequence.done(switch, now_s)
    assert off == {2: 10.0, 1: pytest.approx(11.03, abs=0.1)}, "the relay stays where it is"
    assert sequence.stuck == (3,) and sequence.at_rest
    assert [(index, on) for _, index, on in walk(sequence, 20.0)] == [(3, False), (0, False)]
    assert sequence.phase is Phase.RELEASED


def test_only_from_idle() -> None:
    sequence = settled((0.0, 0.0))
    sequence.request(0.0)
    with pytest.raises(RuntimeError, match="keying"):
        sequence.request(0.0)
