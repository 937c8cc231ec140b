"""The one owner of a driver: deadlines, reconnection, pacing, readback and every sanity check.

Gets plans from the tracker, carries out their steps at their instants, and reports what it sees
through a callback. Knows nothing of the Moon, of agreements or of the sked frequency. It keys the
radio for the keying sequence only; without permission to transmit it unkeys it. Whatever the radio
does shows as a state with a reason (`linkview`), never as an exception to the tracker."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import replace
from typing import TypeVar

from moontrim.bandentry import BandEntry, BandWatch, Unready, set_mode
from moontrim.clock import Clock
from moontrim.durations import Durations
from moontrim.errands import Errands
from moontrim.linkview import (
    ANSWERING,
    Connected,
    DialMoved,
    Inhibited,
    LinkEvent,
    LinkState,
    LinkView,
    Lost,
    NotUnkeyed,
    TransmitChanged,
    Updated,
)
from moontrim.planner import Plan, Step, Which
from moontrim_drivers.contract import (
    RigClosed,
    RigDetails,
    RigDriver,
    RigError,
    RigGarbled,
    RigRefused,
    RigState,
    RigTimeout,
    RigUnfit,
)

log = logging.getLogger(__name__)
T = TypeVar("T")

OPEN_DEADLINES = 2.0  # opening asks several questions
SPARE_S = 0.01  # between the look before a set and the set
TOGETHER_S = 0.002  # steps this close share one command
FIRST_BACKOFF_S, LAST_BACKOFF_S, UNFIT_BACKOFF_S = 0.25, 1.5, 15.0
STAND_OFF_S = 2.0  # pause in setting a radio that refuses or disagrees
ROUNDED_HZ = 100  # the coarsest steps of radios under rig control; common practice


class RigLink:
    """Run one driver for ever. Made in the event loop; `run` is its only task."""

    def __init__(
        self,
        driver: RigDriver,
        clock: Clock,
        report: Callable[[LinkEvent], object],
        *,
        deadline_s: float = 1.5,
        poll_s: float = 0.5,
        max_steps_per_s: float | None = None,
        seed: int | None = None,
    ) -> None:
        self.view = LinkView()
        self._driver = driver
        self._clock = clock
        self._report = report
        self._deadline_s = deadline_s
        self._poll_s = poll_s
        self._max_steps_per_s = max_steps_per_s
        self._random = random.Random(seed)
        self._plan: Plan | None = None
        self._pending: list[Step] = []
        self._wake = asyncio.Event()
        self._standing: dict[Which, int] = {}
        self._read_at_s = 0.0
        self._look_asked = False
        self._permitted = True
        self._unkey_failed = False
        self._band = BandWatch()
        self._frozen = False
        self._setting = False
        self._keyed_outside: bool | None = None
        self._keyed_here = False  # until it has confirmed that it receives
        self._errands = Errands(self._wake)
        self._stand_off_until_s = 0.0
        self._durations = Durations()
        self._farewell: tuple[int | None, int | None] | None = None

    # --- what the tracker calls -------------------------------------------------------------------

    def submit(self, plan: Plan, *, at_once: bool = False) -> None:
        """Take over a plan. Steps of the plan before it stay until the new one begins, unless
        at_once."""
        self._plan = plan
        kept = [] if at_once else [s for s in self._pending if s.at_utc_s < plan.start_utc_s]
        self._pending = kept + list(plan.steps)
        if self.view.state is LinkState.READY and not self._to_be_moved(self._pending):
            self._pending = []  # every dial stands there already: nothing to wake for, most seconds
        else:
            self._wake.set()

    def withdraw(self) -> None:
        """Forget whatever is planned: the dials stay where they are."""
        self._pending = []

    @property
    def moving(self) -> bool:
        """Is a dial about to be set? `Updated` will follow."""
        now_utc_s = self._clock.utc_s()
        return self._setting or (
            self.view.state is LinkState.READY
            and not self._frozen
            and self._to_be_moved(s for s in self._pending if s.at_utc_s <= now_utc_s)
        )

    def _to_be_moved(self, steps: Iterable[Step]) -> bool:
        """Does any dial stand elsewhere?"""
        return any(step.dial_hz != self._standing.get(step.which) for step in steps)

    def enter(self, entry: BandEntry | None, *, changing: bool = False) -> None:
        """Have the radio as this band wants it before anything else; None: leave it alone.
        changing: it comes from another band, so it must not transmit until all is done."""
        self._band.enter(entry, changing=changing)
        self._show(inhibit=self._band.inhibit(None))
        self._wake.set()

    def permit_transmit(self, on: bool) -> None:
        """Without permission a radio found transmitting is unkeyed, again and again."""
        self._permitted = on
        if not on:
            self.look_now()

    def keyed_outside(self, on: bool | None) -> None:
        """A relay, a foot switch or our own line says that the radio transmits; None: nobody
        does. For radios that cannot tell, or not soon enough."""
        if on is not self._keyed_outside:
            self._keyed_outside = on
            self.look_now()

    def freeze(self, on: bool) -> None:
        """Leave the radio alone, dials and all, while relays settle; only `key` goes through, and
        then at once."""
        self._frozen = on
        self._wake.set()

    async def key(self, on: bool) -> None:
        """Have the radio transmit or receive; returns when it has confirmed. Once asked for,
        receiving is seen to even if the caller gives up. Raises RigError."""
        if on and (self.view.inhibit or not self._permitted):
            raise RigRefused(self.view.inhibit or "transmitting is forbidden")
        self._keyed_here |= on
        await self._in_turn(self._driver.set_transmit, on, for_sure=not on)
        self._keyed_here = on

    async def details(self) -> RigDetails:
        """Mode and power as they are. Raises RigError."""
        return await self._in_turn(self._driver.details)

    async def set_mode(self, mode: str, passband_hz: int) -> None:
        """Set mode and filter, and put the dials back if that moved them. Raises RigError."""
        await self._in_turn(self._set_mode, mode, passband_hz)

    async def set_power(self, fraction: float) -> None:
        """RF power, never above the band's ceiling. Raises RigError."""
        ceiling = self._band.entry.drive_ceiling if self._band.entry else None
        if ceiling is not None and fraction > ceiling:
            raise RigRefused(f"above the drive ceiling of {100 * ceiling:.1f} %")
        await self._in_turn(self._driver.set_power, fraction)

    async def _in_turn(
        self, act: Callable[..., Awaitable[T]], *given: object, for_sure: bool = False
    ) -> T:
        if self.view.state not in ANSWERING:
            raise RigClosed(f"the radio does not answer: {self.view.reason}")
        return await self._errands.ask(act, *given, for_sure=for_sure)

    def look_now(self) -> None:
        """Read the radio back at once and report `Updated`."""
        self._look_asked = True
        self._wake.set()

    def retire(self, rx_hz: int | None, tx_hz: int | None) -> None:
        """End `run` after leaving the dials here (None: as they are), if the radio is receiving."""
        self._farewell = (rx_hz, tx_hz)
        self._wake.set()

    # --- the life of the link ---------------------------------------------------------------------

    async def run(self) -> None:
        """Connect, serve, and start again after any failure, until retired or cancelled."""
        backoff_s = FIRST_BACKOFF_S
        try:
            while self._farewell is None:
                try:
                    await self._open()
                    backoff_s = FIRST_BACKOFF_S
                    await self._serve()
                except Exception as mistake:
                    # Whatever it was, the link must live: a keyed radio is told to receive by it.
                    error = mistake if isinstance(mistake, RigError) else self._mistaken(mistake)
                    await self._driver.close()
                    self._fail(error)
                    if not error.transient:
                        backoff_s = UNFIT_BACKOFF_S
                    await self._rest(backoff_s * self._random.uniform(0.75, 1.25))
                    # One that does not answer has been waited for already, and may be switched on
                    # at any moment.
                    longer = not isinstance(error, RigTimeout)
                    backoff_s = min(LAST_BACKOFF_S, 2 * backoff_s) if longer else FIRST_BACKOFF_S
        finally:
            await self._driver.close()

    async def _open(self) -> None:
        await self._call(self._driver.open(), OPEN_DEADLINES * self._deadline_s)
        rig = await self._call(self._driver.read())
        capabilities = self._driver.capabilities
        self._saw(rig)
        self._take_as_standing(rig)
        self._stand_off_until_s = 0.0
        self._show(
            state=LinkState.READY,
            reason="",
            split=capabilities.split,
            dial_resolution_hz=capabilities.dial_resolution_hz,
            steps_per_s=self._steps_per_s(),
            connections=self.view.connections + 1,
        )
        # Old steps were planned for a radio that may since have been switched off; the
        # tracker plans anew.
        self._pending = []
        self._report(Connected(rig))

    def _fail(self, error: RigError) -> None:
        state = LinkState.LOST if error.transient else LinkState.UNFIT
        first = self.view.reason != str(error)
        self._standing.clear()
        self._pending = []
        self._errands.end(str(error))
        self._show(state=state, reason=str(error), rig=None, failures=self.view.failures + 1)
        if first:
            log.warning("radio %s: %s", error.reason, error)
            self._report(Lost(str(error)))

    def _mistaken(self, mistake: Exception) -> RigError:
        error = RigGarbled(f"a mistake in the driver or the rig link: {mistake!r}")
        if str(error) != self.view.reason:
            log.error("rig link", exc_info=mistake)
        return error

    async def _rest(self, duration_s: float) -> None:
        """Wait out a backoff, but not a retirement."""
        until_s = self._clock.monotonic_s() + duration_s
        while self._farewell is None and (left := until_s - self._clock.monotonic_s()) > 0:
            self._wake.clear()
            await self._clock.wait(self._wake, left)

    async def _serve(self) -> None:
        while True:
            if errand := self._errands.next():
                await errand.run(self._call)
                self._look_asked = True
                continue
            if self._farewell is not None:
                await self._leave(*self._farewell)
                return
            if self._frozen:
                self._wake.clear()
                await self._clock.wait(self._wake, self._poll_s)
                continue
            now_s = self._clock.monotonic_s()
            if self._band.due_s <= now_s:
                await self._attend_to_band()
                continue
            if self._look_asked:
                await self._look()
                continue
            self._drop_steps_already_taken()
            wait_s = min(self._read_at_s + self._poll_s, self._band.due_s) - now_s
            if self._pending and self._stand_off_until_s <= now_s:
                set_wait_s = self._pending[0].at_utc_s - self._lead_s() - self._clock.utc_s()
                if set_wait_s <= 0.0:
                    await self._take_due_steps()
                    continue
                # A look right before each set, so that a hand on the dial in between is as good as
                # impossible; timed so that it does not delay the set.
                look_wait_s = set_wait_s - self._durations.look_s() - SPARE_S
                wait_s = min(wait_s, set_wait_s if self._fresh(set_wait_s) else look_wait_s)
            if wait_s <= 0.0:
                await self._look()
                continue
            self._wake.clear()
            await self._clock.wait(self._wake, wait_s)

    async def _set_mode(self, mode: str, passband_hz: int) -> None:
        await set_mode(mode, passband_hz, self._driver, self._call, self._standing)

    def _drop_steps_already_taken(self) -> None:
        """A plan begins with what ought to stand already; that needs neither look nor set, and if
        there is nothing else to be done now, the radio is where it should be again."""
        dropped = False
        while self._pending and self._standing.get(self._pending[0].which) == (
            self._pending[0].dial_hz
        ):
            self._pending.pop(0)
            dropped = True
        if dropped and not (self._pending and self._pending[0].at_utc_s <= self._clock.utc_s()):
            self._follows()

    def _follows(self) -> None:
        """The dials are where they were to be set."""
        if self.view.state is not LinkState.READY:
            log.info("radio follows again")
            self._show(state=LinkState.READY, reason="")
            self._report(Updated())

    def _fresh(self, in_s: float = 0.0) -> bool:
        """Will the last look be recent enough to set the radio then?"""
        age_s = self._clock.monotonic_s() + in_s - self._read_at_s
        return age_s <= self._durations.look_s() + 2 * SPARE_S

    async def _leave(self, rx_hz: int | None, tx_hz: int | None) -> None:
        await self._look()
        rig = self.view.rig
        if rig is None or rig.transmitting:
            return
        if rx_hz is None and tx_hz is None:
            return
        with contextlib.suppress(RigRefused):
            await self._call(self._driver.set_dials(rx_hz, tx_hz if self.view.split else None))

    # --- the band ---------------------------------------------------------------------------------

    async def _attend_to_band(self) -> None:
        await self._band.attend(
            self._driver, self._call, self._clock.monotonic_s, self._receiving, self._move_dials
        )
        self._update_inhibit()

    def _update_inhibit(self) -> None:
        reason = self._band.inhibit(self.view.rig)
        if reason != self.view.inhibit:
            self._show(inhibit=reason)
            self._report(Inhibited(reason) if reason else Updated())

    async def _move_dials(self) -> dict[Which, int]:
        await self._take_due_steps()
        if self.view.state is not LinkState.READY:
            raise Unready(self.view.reason)
        return dict(self._standing)

    async def _receiving(self) -> bool:
        """Look; a radio found transmitting while inhibited is unkeyed by that. Does it receive?"""
        await self._look()
        if self.view.rig is not None and self.view.rig.transmitting:
            await self._look()
        return self.view.rig is not None and not self.view.rig.transmitting

    # --- looking and setting ----------------------------------------------------------------------

    async def _look(self) -> bool:
        """Read the radio back. False if what was planned must not go ahead."""
        asked, self._look_asked = self._look_asked, False
        began_s = self._clock.monotonic_s()
        try:
            rig = await self._call(self._driver.read())
        except RigRefused as error:
            raise RigGarbled(f"the radio would not be read: {error}") from error
        self._durations.looked(self._clock.monotonic_s() - began_s)
        self._saw(rig)
        moved = self._was_moved(rig)
        if rig.transmitting and (self.view.inhibit or not self._permitted):
            await self._unkey()
        else:
            self._unkey_failed = False
        if asked:
            self._report(Updated(asked=True))
        return not moved

    async def _unkey(self) -> None:
        try:
            await self._call(self._driver.set_transmit(False))
        except (RigRefused, RigUnfit) as error:
            if not self._unkey_failed:
                self._report(NotUnkeyed(str(error)))
            self._unkey_failed = True

    def _was_moved(self, rig: RigState) -> bool:
        """Compare with where we left the dials; report and accept a difference."""
        moved = False
        found: dict[Which, int | None] = {"rx": rig.rx_dial_hz, "tx": rig.tx_dial_hz}
        for which, to_hz in found.items():
            from_hz = self._standing.get(which)
            if to_hz is not None and from_hz is not None and to_hz != from_hz:
                moved = True
                self._standing[which] = to_hz
                # The rest of the plan belongs to where the dial was; never race a hand on the knob.
                self._pending = []
                self._report(DialMoved(which, from_hz, to_hz))
        return moved

    async def _take_due_steps(self) -> None:
        if not self._pending:
            return
        horizon = self._clock.utc_s() + self._lead_s() + TOGETHER_S
        due: dict[Which, int] = {}
        while self._pending and self._pending[0].at_utc_s <= horizon:
            step = self._pending.pop(0)
            due[step.which] = step.dial_hz  # of several for one dial the newest counts
        wanted = {which: hz for which, hz in due.items() if self._standing.get(which) != hz}
        if not wanted:
            return
        self._setting = True
        try:
            if not self._fresh() and not await self._look():
                return
            if self._keyed_and_untouchable():
                self._report(Updated())
                return
            await self._set(wanted)
        finally:
            self._setting = False

    def _keyed_and_untouchable(self) -> bool:
        rig = self.view.rig
        if rig is None or not rig.transmitting:
            return False
        steps = self._plan is not None and self._plan.steps_while_keyed
        return not (steps and self._driver.capabilities.retunes_while_transmitting)

    async def _set(self, wanted: dict[Which, int]) -> None:
        before = dict(self._standing)
        deadline_s = self._deadline_s + self._driver.capabilities.own_pauses_s
        for attempt in (1, 2):
            began_s = self._clock.monotonic_s()
            try:
                rig = await self._call(
                    self._driver.set_dials(wanted.get("rx"), wanted.get("tx")), deadline_s
                )
            except RigRefused as error:
                if attempt == 2:
                    self._stand_off(LinkState.REFUSING, f"the radio refuses: {error}")
                    return
                if not await self._look() or self._keyed_and_untouchable():
                    return
                continue
            self._durations.was_set(len(wanted), self._clock.monotonic_s() - began_s)
            self._saw(rig)
            self._show(
                sets=self.view.sets + len(wanted),
                set_latency_s=self._durations.set_s(),
                steps_per_s=self._steps_per_s(),
            )
            found: dict[Which, int | None] = {"rx": rig.rx_dial_hz, "tx": rig.tx_dial_hz}
            ignored = [w for w, hz in wanted.items() if _not_as_set(hz, found[w], before.get(w))]
            if not ignored:
                self._standing.update(wanted)
                if self._was_moved(rig):
                    return
                if self.view.state is not LinkState.READY:
                    log.info("radio follows again")
                    self._show(state=LinkState.READY, reason="")
                self._report(Updated())
                return
            if self._keyed_and_untouchable():
                return
        which = ignored[0]
        # What it made of it is where the dial stands now, and no hand on it.
        self._standing.update({w: hz for w in wanted if (hz := found[w]) is not None})
        self._stand_off(
            LinkState.DISAGREES,
            f"{which} dial was set to {wanted[which]} Hz but the radio shows {found[which]} Hz; "
            "is dial_resolution_hz finer than the radio's own?",
        )

    def _stand_off(self, state: LinkState, reason: str) -> None:
        if self.view.state is not state:
            log.warning("%s", reason)
        self._show(state=state, reason=reason, failures=self.view.failures + 1)
        self._pending = []
        self._stand_off_until_s = self._clock.monotonic_s() + STAND_OFF_S
        self._report(Updated())

    # --- small things -----------------------------------------------------------------------------

    async def _call(self, call: Awaitable[T], deadline_s: float | None = None) -> T:
        limit_s = deadline_s or self._deadline_s
        try:
            async with self._clock.timeout(limit_s):
                return await call
        except TimeoutError:
            raise RigTimeout(f"no answer within {limit_s:g} s") from None

    def _saw(self, rig: RigState) -> None:
        if min(rig.rx_dial_hz, rig.tx_dial_hz or 1) <= 0:
            raise RigGarbled(f"the radio reports a dial of {rig.rx_dial_hz}, {rig.tx_dial_hz} Hz")
        if self._keyed_outside is not None:
            rig = replace(rig, transmitting=bool(rig.transmitting) or self._keyed_outside)
        elif rig.transmitting is None and self._keyed_here:
            rig = replace(rig, transmitting=True)
        before = self.view.rig
        self._read_at_s = self._clock.monotonic_s()
        if rig != before:
            self._show(rig=rig)
        self._update_inhibit()
        if rig.transmitting is not None and (
            before is not None and before.transmitting != rig.transmitting
        ):
            self._report(TransmitChanged(rig.transmitting))

    def _take_as_standing(self, rig: RigState) -> None:
        self._standing = {"rx": rig.rx_dial_hz}
        if rig.tx_dial_hz is not None:
            self._standing["tx"] = rig.tx_dial_hz
        elif self._driver.capabilities.split:
            raise RigUnfit("the radio is to have separate dials but shows only one")

    def _lead_s(self) -> float:
        """How far ahead of the next step's instant its set goes out."""
        soon_s = self._pending[0].at_utc_s + TOGETHER_S
        dials = {step.which for step in self._pending[:4] if step.at_utc_s <= soon_s}
        return self._durations.lead_s(len(dials), self._driver.capabilities.effect_fraction)

    def _steps_per_s(self) -> float:
        return self._durations.steps_per_s(
            self._max_steps_per_s, self._driver.capabilities.max_sets_per_s
        )

    def _show(self, **changes: object) -> None:
        self.view = replace(self.view, **changes)  # type: ignore[arg-type]


def _not_as_set(wanted_hz: int, found_hz: int | None, before_hz: int | None) -> bool:
    """Has the radio ignored a set, or rounded it? Further off, somebody turned the dial."""
    if found_hz is None or found_hz == wanted_hz:
        return False
    return found_hz == before_hz or abs(found_hz - wanted_hz) <= ROUNDED_HZ
