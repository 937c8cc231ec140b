"""In which order and when outputs are switched. Pure: instants in, switches out.

Raising goes through the outputs in order, each only after the settle time of the one before it; the
last one keys the radio. Lowering goes back from the radio, each only after the release time of the
one before it. It may begin at any moment.

An output counts as on from the moment it is told to switch on until it has confirmed that it is
off, whatever happened in between; at the start nothing is known, so everything is switched off
first. An output that will not switch off is told again and again; after `STUCK_S` the others go
down without it, because a relay that opens under RF is the lesser harm than RF that nothing
ends."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

STUCK_S = 1.0
RETRY_S = 0.25


class Phase(StrEnum):
    IDLE = "idle"
    RAISING = "raising"
    KEYED = "keyed"
    LOWERING = "lowering"


@dataclass(frozen=True, slots=True)
class Stage:
    """One output: seconds to wait after switching it on, and off."""

    settle_s: float
    release_s: float


@dataclass(frozen=True, slots=True)
class Switch:
    """Switch this output on or off now."""

    index: int
    on: bool


class _Output:
    """What is known of one output. trying_since_s: first of the present attempts to switch it off.
    stuck: the others no longer wait for it. off_from_s: not to be switched off before."""

    __slots__ = ("maybe_on", "off_from_s", "stage", "stuck", "trying_since_s")

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self.maybe_on = True
        self.stuck = False
        self.off_from_s = self.trying_since_s = -math.inf


class Sequence:
    """One transmit sequence. Ask `due` for the next switch, carry it out, say `done` or `failed`,
    ask again. Instants are seconds of one clock that never steps."""

    def __init__(self, stages: Iterable[Stage]) -> None:
        self.phase = Phase.LOWERING
        self._outputs = [_Output(stage) for stage in stages]
        self._next = 0
        self._ready_s = -math.inf
        self._under_way: Switch | None = None
        self._rf_since_s: float | None = None

    @property
    def stuck(self) -> tuple[int, ...]:
        """Outputs that do not switch off."""
        return tuple(i for i, output in enumerate(self._outputs) if output.stuck)

    @property
    def at_rest(self) -> bool:
        """Is everything off, or nothing left on but what does not switch off?"""
        on = [output for output in self._outputs if output.maybe_on]
        return self.phase is Phase.IDLE or (bool(on) and all(output.stuck for output in on))

    @property
    def rf_since_s(self) -> float | None:
        """Since when there may be RF of our making; None: there is none."""
        return self._rf_since_s

    def request(self, now_s: float) -> None:
        """Begin to raise. Only when idle."""
        if self.phase is not Phase.IDLE:
            raise RuntimeError(f"requested while {self.phase}")
        self.phase, self._next, self._ready_s = Phase.RAISING, 0, now_s

    def drop(self, now_s: float) -> None:
        """Lower, beginning now, on release as on a fault. A switch-on under way counts as having
        happened; what becomes of it no longer matters."""
        if self.phase not in (Phase.RAISING, Phase.KEYED):
            return
        self.phase, self._ready_s, self._under_way = Phase.LOWERING, now_s, None
        for output in self._outputs:
            output.off_from_s, output.trying_since_s = now_s, -math.inf

    def due(self, now_s: float) -> Switch | None:
        """The switch that is to be carried out now, if any; also moves on from one phase to the
        next."""
        if self._under_way is not None:
            return None
        if self.phase is Phase.RAISING:
            self._under_way = self._raise(now_s)
        elif self.phase is Phase.LOWERING:
            self._under_way = self._lower(now_s)
        return self._under_way

    def next_s(self) -> float | None:
        """The instant from which `due` has something new, unless something happens before; None:
        it will not by itself."""
        if self._under_way is not None or self.phase in (Phase.IDLE, Phase.KEYED):
            return None
        candidates = self._to_switch_off() if self.phase is Phase.LOWERING else []
        if not candidates:
            return self._ready_s
        return min(self._outputs[index].off_from_s for index in candidates)

    def done(self, switch: Switch, now_s: float) -> None:
        """It has been carried out and confirmed."""
        if switch != self._under_way:
            return
        self._under_way = None
        output = self._outputs[switch.index]
        if switch.on:
            self._next = switch.index + 1
            self._ready_s = now_s + output.stage.settle_s
            return
        output.maybe_on = output.stuck = False
        self._wait_before_the_next(switch.index, now_s)
        if switch.index == len(self._outputs) - 1:
            self._rf_since_s = None

    def failed(self, switch: Switch, now_s: float) -> None:
        """It could not be carried out, or nobody knows whether it was."""
        if switch != self._under_way:
            return
        self._under_way = None
        if switch.on:
            self.drop(now_s)
            return
        output = self._outputs[switch.index]
        output.off_from_s = now_s + RETRY_S
        if not output.stuck and now_s - output.trying_since_s >= STUCK_S:
            output.stuck = True
            self._wait_before_the_next(switch.index, now_s)

    def forget(self) -> None:
        """Whatever was under way was broken off, and nobody knows how far it got; a switch-off
        comes again at once."""
        self._under_way = None

    def _raise(self, now_s: float) -> Switch | None:
        if now_s < self._ready_s:
            return None
        if self._next == len(self._outputs):
            self.phase = Phase.KEYED
            return None
        self._outputs[self._next].maybe_on = True
        if self._next == len(self._outputs) - 1:
            self._rf_since_s = now_s
        return Switch(self._next, on=True)

    def _lower(self, now_s: float) -> Switch | None:
        candidates = self._to_switch_off()
        # Whichever has waited longest; at the same instant the first candidate.
        index = min(candidates, key=lambda i: self._outputs[i].off_from_s, default=None)
        if index is None:
            if now_s >= self._ready_s:
                self.phase = Phase.IDLE
            return None
        output = self._outputs[index]
        if now_s < output.off_from_s:
            return None
        if output.trying_since_s == -math.inf:
            output.trying_since_s = now_s
        return Switch(index, on=False)

    def _to_switch_off(self) -> list[int]:
        """The last output that is still on, and every one that is stuck."""
        on = [index for index, output in enumerate(self._outputs) if output.maybe_on]
        stuck = [index for index in on if self._outputs[index].stuck]
        waited_for = [index for index in on if not self._outputs[index].stuck]
        return waited_for[-1:] + stuck[::-1]

    def _wait_before_the_next(self, index: int, now_s: float) -> None:
        """After an output has been switched off, or given up, those before it wait."""
        self._ready_s = max(self._ready_s, now_s + self._outputs[index].stage.release_s)
        for output in self._outputs[:index]:
            output.off_from_s = max(output.off_from_s, self._ready_s)
