"""Has the dials of one radio take their steps: a look before each set, a read-back after it, and
what comes of a radio that refuses, rounds or is turned by hand.

A look shows more than dials, and that is seen to here as well: whether the radio transmits, and
that it does not without permission. Raises RigError when there is no usable answer; whatever else
the radio does shows as a state with a reason in the view."""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Any

from moontrim.clock.system import Clock
from moontrim.rig.latency import Durations
from moontrim.rig.pendingsteps import TOGETHER_S, DialSteps
from moontrim.rig.view import (
    DialMoved,
    Inhibited,
    LinkEvent,
    LinkState,
    LinkView,
    NotUnkeyed,
    TransmitChanged,
    Updated,
)
from moontrim.tuning.steps import DialName, Plan
from moontrim_drivers.contract import RigDriver, RigGarbled, RigRefused, RigState, RigUnfit

log = logging.getLogger(__name__)

_READY = LinkState.READY  # by a name of its own, being needed every second: see `assess`
SPARE_S = 0.01  # between the look before a set and the set
STAND_OFF_S = 2.0  # pause in setting a radio that refuses or disagrees
ROUNDED_HZ = 100  # the coarsest steps of radios under rig control; common practice


class Dials:
    """view: what is known of the radio. look_asked: someone waits for a look, and is told by
    `Updated`. frozen: relays move, so no dial may be set. What is awaited is for the link's own
    task only.

    call: the driver's answer, within the deadline and so many seconds more. inhibit: why the radio,
    as it was seen, must not transmit; empty if it may."""

    def __init__(
        self,
        driver: RigDriver,
        clock: Clock,
        call: Callable[..., Awaitable[Any]],
        report: Callable[[LinkEvent], object],
        inhibit: Callable[[RigState | None], str],
        max_steps_per_s: float | None,
    ) -> None:
        self.view = LinkView()
        self.setting = False
        self.look_asked = False
        self.frozen = False
        self.permitted = True  # to transmit
        self.keyed_outside: bool | None = None
        self.keyed_here = False  # until it has confirmed that it receives
        self._driver = driver
        self._clock = clock
        self._call = call
        self._report = report
        self._inhibit = inhibit
        self._max_steps_per_s = max_steps_per_s
        self._steps = DialSteps()
        self._steps_while_keyed = False
        self._read_at_s = 0.0
        self._stand_off_until_s = 0.0
        self._durations = Durations()
        self._unkey_failed = False
        self._unkeyed = False  # has it been told so since it was found transmitting?

    def show(self, **changes: object) -> None:
        """Change the view."""
        self.view = replace(self.view, **changes)  # type: ignore[arg-type]

    def begin(self, rig: RigState) -> None:
        """The radio answers (again): its dials stand where they are. Raises RigError."""
        # Old steps were planned for a radio that may since have been switched off; the tracker
        # plans anew.
        self.forget()
        self._stand_off_until_s = 0.0
        self._saw(rig)
        self.standing["rx"] = rig.rx_dial_hz
        if rig.tx_dial_hz is not None:
            self.standing["tx"] = rig.tx_dial_hz
        elif self._driver.capabilities.split:
            raise RigUnfit("the radio is to have separate dials but shows only one")

    def forget(self) -> None:
        """Forget where the dials stand, and where they were to go."""
        self._steps.forget()

    @property
    def standing(self) -> dict[DialName, int]:
        """Where its dials are, in Hz."""
        return self._steps.standing

    # --- the steps --------------------------------------------------------------------------------

    def plan(self, plan: Plan, *, at_once: bool) -> bool:
        """Take over a plan, as `RigLink.submit` says. False if there is nothing to be done now."""
        self._steps_while_keyed = plan.steps_while_keyed
        self._steps.put(plan, at_once=at_once)
        if self.view.state is _READY and self._steps.settled:
            self._steps.drop()  # nothing to wake for, most seconds
            return False
        if not plan.steps and self._trying_again():
            self._follows()  # where nothing is to be set there is nothing to disagree about
        return True

    def _trying_again(self) -> bool:
        """Has it been left alone for long enough after it refused or disagreed?"""
        failed = self.view.state in (LinkState.REFUSING, LinkState.DISAGREES)
        return failed and self._stand_off_until_s <= self._clock.monotonic_s()

    def drop_steps(self) -> None:
        """The dials stay where they are."""
        self._steps.drop()

    def overdue(self) -> bool:
        """Does a dial stand elsewhere than it ought to by now, and can that be helped?"""
        return self.view.state is _READY and self._steps.overdue(self._clock.utc_s())

    async def attend(self, poll_s: float) -> float:
        """Look, or take the steps that are due, whichever it is time for; 0 then, else for how
        long there is nothing to do. poll_s: the longest without a look."""
        if self.look_asked:
            await self.look()
            return 0.0
        now_s = self._clock.monotonic_s()
        self._drop_steps_already_taken()
        wait_s = self._read_at_s + poll_s - now_s
        if self._steps and self._stand_off_until_s <= now_s:
            set_wait_s = self._steps.next_utc_s - self._lead_s() - self._clock.utc_s()
            if set_wait_s <= 0.0:
                await self.take_due_steps()
                return 0.0
            # A look right before each set, so that a hand on the dial in between is as good as
            # impossible; timed so that it does not delay the set.
            look_wait_s = set_wait_s - self._durations.look_s() - SPARE_S
            wait_s = min(wait_s, set_wait_s if self._fresh(set_wait_s) else look_wait_s)
        if wait_s > 0.0:
            return wait_s
        await self.look()
        return 0.0

    def _drop_steps_already_taken(self) -> None:
        """If there is nothing else to be done now, the radio is where it should be again."""
        dropped = self._steps.drop_taken() and self._steps.next_utc_s > self._clock.utc_s()
        if dropped and self.view.state is not _READY:
            self._follows()

    def _fresh(self, in_s: float = 0.0) -> bool:
        """Will the last look be recent enough to set the radio then?"""
        age_s = self._clock.monotonic_s() + in_s - self._read_at_s
        return age_s <= self._durations.look_s() + 2 * SPARE_S

    def _lead_s(self) -> float:
        """How far ahead of the next step's instant its set goes out."""
        effect_fraction = self._driver.capabilities.effect_fraction
        return self._durations.lead_s(self._steps.together(), effect_fraction)

    def steps_per_s(self) -> float:
        """How many the radio can take."""
        return self._durations.steps_per_s(
            self._max_steps_per_s, self._driver.capabilities.max_sets_per_s
        )

    # --- looking ----------------------------------------------------------------------------------

    async def look(self, asked_for: dict[DialName, int] | None = None) -> bool:
        """Read the radio back; one that transmits and must not is unkeyed. False if what was
        planned must not go ahead. asked_for: of a set that was refused; of two dials one may have
        been set all the same, by no hand."""
        asked, self.look_asked = self.look_asked, False
        began_s = self._clock.monotonic_s()
        try:
            rig: RigState = await self._call(self._driver.read())
        except RigRefused as error:
            raise RigGarbled(f"the radio would not be read: {error}") from error
        self._durations.looked(self._clock.monotonic_s() - began_s)
        self._saw(rig)
        for which, hz in (asked_for or {}).items():
            if hz == (rig.rx_dial_hz if which == "rx" else rig.tx_dial_hz):
                self.standing[which] = hz
        moved = self._was_moved(rig)
        if rig.transmitting and (self.view.inhibit or not self.permitted):
            if await self._unkey() and not self._unkeyed:
                self._unkeyed = self.look_asked = True  # once: a foot switch may hold it
        else:
            self._unkeyed = self._unkey_failed = False
        if asked:
            self._report(Updated(asked=True))
        return not moved

    async def unkey_if_left_keyed(self) -> None:
        """Lost while we had it keyed, or left so by whoever ran before, it may transmit: that ends
        before anything is asked of it."""
        if self.keyed_here and await self._unkey():
            self.keyed_here = False

    async def _unkey(self) -> bool:
        """Does it confirm?"""
        try:
            await self._call(self._driver.set_transmit(False))
        except (RigRefused, RigUnfit) as error:
            if not self._unkey_failed:
                self._report(NotUnkeyed(str(error)))
            self._unkey_failed = True
            return False
        return True

    def _saw(self, rig: RigState) -> None:
        if min(rig.rx_dial_hz, rig.tx_dial_hz or 1) <= 0:
            raise RigGarbled(f"the radio reports a dial of {rig.rx_dial_hz}, {rig.tx_dial_hz} Hz")
        told = rig.transmitting
        if told is None and self.keyed_here:
            told = True
        if self.keyed_outside is not None:
            told = bool(told) or self.keyed_outside
        if told is not rig.transmitting:
            rig = replace(rig, transmitting=told)
        before, on = self.view.rig, rig.transmitting
        self._read_at_s = self._clock.monotonic_s()
        if rig != before:
            self.show(rig=rig)
        self.update_inhibit()
        if before is not None and on is not None and on != before.transmitting:
            self._report(TransmitChanged(on))

    def update_inhibit(self) -> None:
        """Show and report whether the radio may transmit as it was last seen."""
        reason = self._inhibit(self.view.rig)
        if reason != self.view.inhibit:
            self.show(inhibit=reason)
            self._report(Inhibited(reason) if reason else Updated())

    def _was_moved(self, rig: RigState) -> bool:
        """Compare with where we left the dials; report and accept a difference."""
        moved = False
        found: dict[DialName, int | None] = {"rx": rig.rx_dial_hz, "tx": rig.tx_dial_hz}
        for which, to_hz in found.items():
            from_hz = self.standing.get(which)
            if to_hz is not None and from_hz is not None and to_hz != from_hz:
                moved = True
                self.standing[which] = to_hz
                # The rest of the plan belongs to where the dial was; never race a hand on the knob.
                self._steps.drop()
                self._report(DialMoved(which, from_hz, to_hz))
        return moved

    # --- setting ----------------------------------------------------------------------------------

    async def take_due_steps(self) -> None:
        """Set the dials to where they ought to be by now, if they may be set."""
        if not self._steps:
            return
        wanted = self._steps.take(self._clock.utc_s() + self._lead_s() + TOGETHER_S)
        if not wanted:
            return
        self.setting = True
        try:
            if not self._fresh() and not await self.look():
                return
            if self._untouchable():
                self._report(Updated())
                return
            await self._set(wanted)
        finally:
            self.setting = False

    def _untouchable(self) -> bool:
        """Must no dial be set now? Relays may have begun to move since the look before the set."""
        keyed = self.view.rig is not None and self.view.rig.transmitting
        able = self._driver.capabilities.retunes_while_transmitting
        return self.frozen or (bool(keyed) and not (able and self._steps_while_keyed))

    async def _set(self, wanted: dict[DialName, int]) -> None:
        before = dict(self.standing)
        for attempt in (1, 2):
            began_s = self._clock.monotonic_s()
            try:
                rig: RigState = await self._call(
                    self._driver.set_dials(wanted.get("rx"), wanted.get("tx")),
                    self._driver.capabilities.driver_pauses_s,
                )
            except RigRefused as error:
                unmoved = await self.look(wanted)
                if attempt == 2:
                    self._stand_off(LinkState.REFUSING, f"the radio refuses: {error}")
                    return
                if not unmoved or self._untouchable():
                    return
                continue
            self._durations.was_set(len(wanted), self._clock.monotonic_s() - began_s)
            self._saw(rig)
            self.show(
                sets=self.view.sets + len(wanted),
                set_latency_s=self._durations.set_s(),
                steps_per_s=self.steps_per_s(),
            )
            found: dict[DialName, int | None] = {"rx": rig.rx_dial_hz, "tx": rig.tx_dial_hz}
            ignored = [w for w, hz in wanted.items() if _not_as_set(hz, found[w], before.get(w))]
            if not ignored:
                self.standing.update(wanted)
                if not self._was_moved(rig):
                    self._follows()
                return
            if self._untouchable():
                return
        which = ignored[0]
        # What it made of it is where the dial stands now, and no hand on it.
        self.standing.update({w: hz for w in wanted if (hz := found[w]) is not None})
        self._stand_off(
            LinkState.DISAGREES,
            f"{which} dial was set to {wanted[which]} Hz but the radio shows {found[which]} Hz; "
            "is dial_resolution_hz finer than the radio's own?",
        )

    def _follows(self) -> None:
        """The dials are where they were to be set."""
        if self.view.state is not LinkState.READY:
            log.info("radio follows again")
            self.show(state=LinkState.READY, reason="")
        self._report(Updated())

    def _stand_off(self, state: LinkState, reason: str) -> None:
        if self.view.state is not state:
            log.warning("%s", reason)
        self.show(state=state, reason=reason, failures=self.view.failures + 1)
        self._steps.drop()
        self._stand_off_until_s = self._clock.monotonic_s() + STAND_OFF_S
        self._report(Updated())


def _not_as_set(wanted_hz: int, found_hz: int | None, before_hz: int | None) -> bool:
    """Has the radio ignored a set, or rounded it? Further off, somebody turned the dial."""
    if found_hz is None or found_hz == wanted_hz:
        return False
    return found_hz == before_hz or abs(found_hz - wanted_hz) <= ROUNDED_HZ
