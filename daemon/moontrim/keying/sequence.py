r"""The order and the instants at which outputs are switched. Pure: instants in, switches out.

Raising goes through the outputs in order. Each is switched on only after the settle time of the one
before it; the last one keys the radio, so there is no RF before every relay has settled. Lowering
begins with the radio and goes back. Each output is switched off only after the release time of the
one behind it, so no relay opens under RF. Lowering may begin at any instant, with however many
outputs are on by then. For a relay, an amplifier and a radio that is keyed last ("rel.": release):

           request                          drop
              |                               |
relay    _____/===============================================\__________
              |<--settle->|                                   |<-rel.>|
amp      _________________/===========================\__________________
                          |<--settle->|               |<-rel.>|
radio    _____________________________/=======\__________________________
                                              |<-rel.>|
phase    off  |        keying         | keyed |       releasing       | off

A radio that cannot be unkeyed changes the order. An amplifier is switched off at once: that ends
most of the RF, and harms nothing. A relay that carries RF stays where it is as long as anything
behind it may be on. Whatever has neither role waits for a second.

An output counts as on from the moment it is switched on until it has confirmed that it is off,
whatever happened in between. At the start nothing is known, so everything is switched off first. An
output that fails to switch off is tried again every `RETRY_S`; after `STUCK_S` it is stuck: the
others go down without waiting for it, because what they switch is the lesser harm than RF that
nothing ends."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

# Chosen: longer than one failed attempt (`switching.DEADLINE_S`), so that an output gets a second
# one, and short, since there may be RF all the while.
STUCK_S = 1.0
RETRY_S = 0.25  # chosen: a few attempts before an output is stuck, without crowding its line


class Phase(StrEnum):
    """Where a sequence is: nothing on, going up, radio keyed, going down."""

    RELEASED = "released"
    KEYING = "keying"
    KEYED = "keyed"
    RELEASING = "releasing"


class Role(StrEnum):
    """What an output switches, as far as it matters when the radio cannot be unkeyed."""

    AMPLIFIER = "amplifier"
    RELAY = "relay"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Stage:
    """The waits of one output, seconds after switching it on and after switching it off, and its
    role."""

    settle_s: float
    release_s: float
    role: Role = Role.OTHER


@dataclass(frozen=True, slots=True)
class Switch:
    """An instruction: switch the output `index` on or off now."""

    index: int
    on: bool


class _Output:
    """The state of one output.

    maybe_on: not confirmed to be off. stuck: the others no longer wait for it. off_from_s: earliest
    instant to switch it off. trying_since_s: first of the present attempts to switch it off.
    failed: one of them has failed."""

    __slots__ = ("failed", "maybe_on", "off_from_s", "stage", "stuck", "trying_since_s")

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self.maybe_on = True
        self.stuck = self.failed = False
        self.off_from_s = self.trying_since_s = -math.inf


class Sequence:
    """The state of one transmit sequence. The caller takes the next switch from `due`, carries it
    out, reports `done` or `failed`, and takes the next. Instants are seconds of one monotonic
    clock. used: the outputs of the present sequence; the others stay off."""

    def __init__(self, stages: Iterable[Stage]) -> None:
        self.phase = Phase.RELEASING
        self._outputs = [_Output(stage) for stage in stages]
        self.used = frozenset(range(len(self._outputs)))
        self._next = 0
        self._ready_s = -math.inf
        self._under_way: Switch | None = None
        self._rf_since_s: float | None = None

    @property
    def stuck(self) -> tuple[int, ...]:
        """Indices of the outputs that do not switch off."""
        return tuple(i for i, output in enumerate(self._outputs) if output.stuck)

    @property
    def releases_s(self) -> float:
        """How long all release times take together."""
        return sum(output.stage.release_s for output in self._outputs)

    def release_s(self, index: int) -> float:
        """Returns the release time of an output."""
        return self._outputs[index].stage.release_s

    @property
    def at_rest(self) -> bool:
        """Whether everything is off but for outputs that are stuck, and relays that wait for
        them."""
        on = [index for index, output in enumerate(self._outputs) if output.maybe_on]
        waits = (self._outputs[i].stuck or self._must_not_open(i) for i in on)
        return self.phase is Phase.RELEASED or (bool(on) and all(waits))

    @property
    def rf_since_s(self) -> float | None:
        """The instant since which we may cause RF; None: we cause none."""
        return self._rf_since_s

    def rf_s(self, now_s: float) -> float:
        """Returns for how many seconds we may have caused RF."""
        return 0.0 if self._rf_since_s is None else now_s - self._rf_since_s

    def request(self, now_s: float, used: frozenset[int] | None = None) -> None:
        """Begins to raise. used: indices of the outputs to switch on, besides the last one; None:
        all. Raises RuntimeError unless idle."""
        if self.phase is not Phase.RELEASED:
            raise RuntimeError(f"requested while {self.phase}")
        last = len(self._outputs) - 1
        self.used = frozenset(range(last + 1)) if used is None else used | {last}
        self.phase, self._next, self._ready_s = Phase.KEYING, 0, now_s

    def drop(self, now_s: float) -> None:
        """Begins to lower now, on release as on a fault; harmless when not raising or keyed. A
        switch-on under way counts as having happened; its outcome no longer matters."""
        if self.phase not in (Phase.KEYING, Phase.KEYED):
            return
        self.phase, self._ready_s, self._under_way = Phase.RELEASING, now_s, None
        for output in self._outputs:
            output.off_from_s, output.trying_since_s = now_s, -math.inf
            output.failed = False

    def due(self, now_s: float) -> Switch | None:
        """Returns the switch to carry out now, None if there is none; also moves on from one phase
        to the next."""
        if self._under_way is not None:
            return None
        if self.phase is Phase.KEYING:
            self._under_way = self._raise(now_s)
        elif self.phase is Phase.RELEASING:
            self._under_way = self._lower(now_s)
        return self._under_way

    def next_s(self) -> float | None:
        """Returns the instant from which `due` has something new; None: not before a call of
        another method."""
        if self._under_way is not None or self.phase in (Phase.RELEASED, Phase.KEYED):
            return None
        candidates = self._to_switch_off() if self.phase is Phase.RELEASING else []
        if not candidates:
            return self._ready_s
        return min(self._outputs[index].off_from_s for index in candidates)

    def done(self, switch: Switch, now_s: float) -> None:
        """Records that a switch has been carried out and confirmed."""
        if switch != self._under_way:
            return
        self._under_way = None
        output = self._outputs[switch.index]
        if switch.on:
            self._next = switch.index + 1
            self._ready_s = now_s + output.stage.settle_s
            return
        output.maybe_on = output.stuck = output.failed = False
        self._delay_outputs_before(switch.index, now_s)
        if switch.index == len(self._outputs) - 1:
            self._rf_since_s = None

    def failed(self, switch: Switch, now_s: float) -> None:
        """Records that a switch failed, or that nobody knows whether it was carried out."""
        if switch != self._under_way:
            return
        self._under_way = None
        if switch.on:
            self.drop(now_s)
            return
        output = self._outputs[switch.index]
        output.failed = True
        output.off_from_s = now_s + RETRY_S
        if not output.stuck and now_s - output.trying_since_s >= STUCK_S:
            output.stuck = True
            self._delay_outputs_before(switch.index, now_s)

    def abandon_switch(self) -> None:
        """Records that the switch under way was broken off, nobody knows how far; a switch-off
        becomes due again at once."""
        self._under_way = None

    def _raise(self, now_s: float) -> Switch | None:
        if now_s < self._ready_s:
            return None
        while self._next < len(self._outputs) and self._next not in self.used:
            self._next += 1
        if self._next == len(self._outputs):
            self.phase = Phase.KEYED
            return None
        self._outputs[self._next].maybe_on = True
        if self._next == len(self._outputs) - 1:
            self._rf_since_s = now_s
        return Switch(self._next, on=True)

    def _lower(self, now_s: float) -> Switch | None:
        candidates = self._to_switch_off()
        # The one that has waited longest; at the same instant the first candidate.
        index = min(candidates, key=lambda i: self._outputs[i].off_from_s, default=None)
        if index is None:
            if now_s >= self._ready_s:
                self.phase = Phase.RELEASED
            return None
        output = self._outputs[index]
        if now_s < output.off_from_s:
            return None
        if output.trying_since_s == -math.inf:
            output.trying_since_s = now_s
        return Switch(index, on=False)

    def _to_switch_off(self) -> list[int]:
        """Returns the last output that may be on, is not stuck and may open, then all that are
        stuck, and amplifiers that a radio that was not unkeyed drives."""
        on = [index for index, output in enumerate(self._outputs) if output.maybe_on]
        stuck = [index for index in on if self._outputs[index].stuck]
        others = [i for i in on if not self._outputs[i].stuck and not self._must_not_open(i)]
        driven = self._outputs[-1].failed
        amplifiers = [i for i in others[:-1] if driven and self._has_role(i, Role.AMPLIFIER)]
        return others[-1:] + stuck[::-1] + amplifiers

    def _has_role(self, index: int, role: Role) -> bool:
        return self._outputs[index].stage.role is role

    def _must_not_open(self, index: int) -> bool:
        """Whether it is a relay, and something behind it that does not switch off may cause RF."""
        behind = self._outputs[index + 1 :]
        return self._has_role(index, Role.RELAY) and any(o.maybe_on and o.stuck for o in behind)

    def _delay_outputs_before(self, index: int, now_s: float) -> None:
        """Makes the outputs before one that is off, or stuck, wait for its release time."""
        self._ready_s = max(self._ready_s, now_s + self._outputs[index].stage.release_s)
        for output in self._outputs[:index]:
            output.off_from_s = max(output.off_from_s, self._ready_s)
