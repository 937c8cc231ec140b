"""Moves the dials of one radio at the planned instants.

    look -> set -> compare     the radio is read right before each set, so that a dial turned by
     ^               |         hand is noticed and never overwritten; what the set reads back is
     +-- next step <-+         compared with what was set

A radio that refuses a set, or shows something else afterwards, gets a second attempt and is then
left alone for a while. A dial that is not where it was left was moved by something else: the rest
of the plan is dropped, and it is reported once it is known what has moved (`moveddials`). Raises
RigError when there is no usable answer; whatever else the radio does shows as a state with a reason
in the view. Calls the readback and the driver."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable

from moontrim.clock.system import Clock
from moontrim.rig.deadline import DeadlineDriver
from moontrim.rig.latency import Durations
from moontrim.rig.moveddials import EXCHANGED, MovedDials
from moontrim.rig.pendingsteps import TOGETHER_S, DialSteps, dials_hz, not_as_set, readback_problem
from moontrim.rig.readback import SPARE_S, Readback
from moontrim.rig.standoff import StandOff
from moontrim.rig.view import DialMoved, LinkEvent, LinkState, Updated
from moontrim.tuning.steps import DialName, Plan
from moontrim_drivers.contract import RigNotSuitable, RigRefused, RigState


class Dials:
    """Takes plans and carries out their steps; awaited by the link's own task only.

    held_for_relays: relays are moving, so no dial may be set. moved: the dials that something else
    has moved, until that is reported; none is set meanwhile.
    max_steps_per_s: the most steps that the radio is to be given; None: as many as it can take."""

    def __init__(
        self,
        driver: DeadlineDriver,
        readback: Readback,
        clock: Clock,
        report: Callable[[LinkEvent], object],
        durations: Durations,
        max_steps_per_s: float | None,
    ) -> None:
        self.held_for_relays = False
        self._driver = driver
        self._readback = readback
        self._clock = clock
        self._report = report
        self._durations = durations
        self._max_steps_per_s = max_steps_per_s
        self._steps = DialSteps()
        self.moved = MovedDials()
        self._steps_while_keyed = False
        self._setting = False
        self._stand_off = StandOff(readback, clock, report)

    def begin(self, rig: RigState) -> None:
        """Takes over a radio that answers (again), its dials where they are. Raises RigError."""
        self._readback.forget_dials()
        self.forget()  # old steps were planned for a radio that may since have been switched off
        self._stand_off.forget()
        if rig.tx_dial_hz is None and self._driver.capabilities.split:
            raise RigNotSuitable("the radio is to have separate dials but shows only one")
        self._readback.accept(rig)
        self._steps.standing["rx"] = rig.rx_dial_hz
        if rig.tx_dial_hz is not None:
            self._steps.standing["tx"] = rig.tx_dial_hz

    def forget(self) -> None:
        """Forgets where the dials stand, and where they were to go."""
        self._steps.forget()
        self.moved.forget()
        self._readback.show(exchanged="")

    @property
    def standing(self) -> dict[DialName, int]:
        """Where the dials were left, in Hz (a copy)."""
        return dict(self._steps.standing)

    # --- plans ------------------------------------------------------------------------------------

    def take_plan(self, plan: Plan, *, at_once: bool) -> bool:
        """Takes over a plan, as `RigLink.submit` does. Returns whether there is anything to do."""
        self._steps_while_keyed = plan.steps_while_keyed
        self._steps.put(plan, at_once=at_once)
        if self._state is LinkState.READY and self._steps.settled:
            self._steps.drop()  # nothing to wake for, most seconds
            if plan.steps:
                self._placed()
            return False
        if not plan.steps and self._stand_off.has_ended:
            self._stand_off.end()  # where nothing is to be set there is nothing to disagree about
        return True

    def _placed(self) -> None:
        self.moved.placed = True
        self._readback.show(exchanged="")

    def drop_steps(self) -> None:
        """Drops what is planned: the dials stay where they are."""
        self._steps.drop()

    def hold_for_relays(self, on: bool) -> None:
        """Sets no dial while relays move."""
        self.held_for_relays = on

    @property
    def moving(self) -> bool:
        """Is a dial being set, or about to be, as it stands elsewhere than it ought to by now?"""
        if self._setting:
            return True
        able = not self.held_for_relays and not self.moved.waiting
        return able and self._state is LinkState.READY and self._steps.overdue(self._clock.utc_s())

    async def leave_at(self, rx_hz: int | None, tx_hz: int | None) -> None:
        """Sets the dials a last time (None: leaves them), if the radio receives."""
        await self.look()
        if self._readback.receiving and (rx_hz is not None or tx_hz is not None):
            with contextlib.suppress(RigRefused):
                await self._driver.set_dials(rx_hz, tx_hz if self._readback.view.split else None)

    def steps_per_s(self) -> float:
        """How many steps a second the radio can take."""
        most_per_s = self._driver.capabilities.max_sets_per_s
        return self._durations.steps_per_s(self._max_steps_per_s, most_per_s)

    # --- what is due ------------------------------------------------------------------------------

    async def do_what_is_due(self, poll_s: float) -> float:
        """Looks at the radio or takes the steps that are due, whichever it is time for, and returns
        0; else returns for how many seconds there is nothing to do. poll_s: the longest without a
        look."""
        if self._readback.look_requested:
            await self.look()
            return 0.0
        self._drop_steps_already_taken()
        set_wait_s = self._set_wait_s()
        if set_wait_s <= 0.0:
            await self.take_due_steps()
            return 0.0
        look_due_s = min(self._readback.read_at_s + poll_s, self.moved.due_s)
        wait_s = set_wait_s if self._readback.is_recent(set_wait_s) else self.free_s()
        wait_s = min(wait_s, look_due_s - self._clock.monotonic_s())
        if wait_s > 0.0:
            return wait_s
        await self.look()
        return 0.0

    def free_s(self) -> float:
        """Returns for how many seconds the radio is free, until the look before the next step."""
        return self._set_wait_s() - self._durations.look_s() - SPARE_S

    def _set_wait_s(self) -> float:
        able = not self.held_for_relays and self._stand_off.is_over
        if not self._steps or not able or self.moved.waiting:
            return math.inf
        return self._steps.next_utc_s - self._lead_s() - self._clock.utc_s()

    def _drop_steps_already_taken(self) -> None:
        """If there is nothing else to be done now, the radio is where it should be again."""
        dropped = self._steps.drop_taken() and self._steps.next_utc_s > self._clock.utc_s()
        if dropped and self._state is not LinkState.READY:
            self._stand_off.end()

    def _lead_s(self) -> float:
        """How far ahead of the next step's instant its set goes out."""
        effect_fraction = self._driver.capabilities.effect_fraction
        return self._durations.lead_s(self._steps.together(), effect_fraction)

    async def take_due_steps(self) -> None:
        """Sets the dials to where they ought to be by now, if they may be set."""
        if not self._steps or self.moved.waiting:
            return
        wanted = self._steps.take(self._clock.utc_s() + self._lead_s() + TOGETHER_S)
        if not wanted:
            return
        self._setting = True
        try:
            if not self._readback.is_recent() and not await self.look():
                return
            if self._untouchable():
                self._report(Updated())
                return
            at_utc_s = min(step.at_utc_s for step in wanted.values())
            await self._set({w: step.dial_hz for w, step in wanted.items()}, at_utc_s)
        finally:
            self._setting = False

    # --- looking ----------------------------------------------------------------------------------

    async def look(self, refused: dict[DialName, int] | None = None) -> bool:
        """Reads the radio back; one that transmits and must not is unkeyed. Returns False if a dial
        was moved by something else, so that what was planned must not go ahead.

        refused: dials of a set that was refused. Of two, one may have been set all the same, and
        was then not moved by hand."""
        rig = await self._readback.read()
        shown = dials_hz(rig)
        for which, hz in (refused or {}).items():
            if hz == shown[which]:
                self._steps.standing[which] = hz
        moved = self._was_moved(rig)
        await self._readback.enforce(rig)
        return not moved

    async def receiving(self) -> bool:
        """Looks, and looks again at a radio that transmits (the first look has unkeyed one that
        must not). Returns whether it receives."""
        await self.look()
        if not self._readback.receiving:
            await self.look()
        return self._readback.receiving

    def _was_moved(self, rig: RigState) -> bool:
        """Compares with where the dials were left; accepts a difference, and reports it once it is
        known what moved them."""
        moved = self._steps.accept(dials_hz(rig))
        before = self.standing | {event.which: event.from_hz for event in moved}
        near_hz = 2 * self._driver.capabilities.dial_resolution_hz
        for event in self.moved.judge(before, self.standing, self._clock.monotonic_s(), near_hz):
            if isinstance(event, DialMoved) and event.exchanged:
                self._readback.show(exchanged=EXCHANGED)
            self._report(event)
        return bool(moved) or self.moved.waiting

    # --- setting ----------------------------------------------------------------------------------

    @property
    def _state(self) -> LinkState:
        return self._readback.view.state

    def _untouchable(self) -> bool:
        """Must no dial be set now? Relays may have begun to move since the look before the set."""
        able = self._driver.capabilities.retunes_while_transmitting
        steps = able and self._steps_while_keyed and not self._readback.view.exchanged
        may_step = self._readback.receiving or steps
        return self.held_for_relays or not may_step

    async def _set(self, wanted: dict[DialName, int], at_utc_s: float) -> None:
        before = self.standing
        for attempt in (1, 2):
            began_s = self._clock.monotonic_s()
            try:
                rig = await self._driver.set_dials(wanted.get("rx"), wanted.get("tx"), at_utc_s)
            except RigRefused as error:
                unmoved = await self.look(wanted)
                if attempt == 2:
                    self._steps.drop()
                    self._stand_off.begin(LinkState.REJECTS, str(error))
                    return
                if not unmoved or self._untouchable():
                    return
                continue
            self._durations.was_set(len(wanted), self._clock.monotonic_s() - began_s)
            self._readback.accept(rig)
            self._readback.show(
                sets=self._readback.view.sets + len(wanted),
                set_latency_s=self._durations.set_s(),
                steps_per_s=self.steps_per_s(),
            )
            shown = dials_hz(rig)
            ignored = not_as_set(wanted, before, shown)
            if not ignored:
                self._steps.standing.update(wanted)
                if not self._was_moved(rig):
                    self._placed()
                    self._stand_off.end()
                return
            if self._untouchable():
                return
        which = ignored[0]
        # What the radio made of it is where the dial stands now; it was not moved by hand.
        self._steps.standing.update({w: hz for w in wanted if (hz := shown[w]) is not None})
        self._steps.drop()
        problem = readback_problem(which, wanted[which], shown[which])
        self._stand_off.begin(LinkState.MISMATCH, problem)
