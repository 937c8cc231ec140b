"""The one owner of a driver: connects, reconnects, sets deadlines, and decides what is done next.

Gets plans from the tracker, has their steps taken at their instants (`rigdials`), and reports what
is seen through a callback. Knows nothing of the Moon, of agreements or of the sked frequency. It
keys the radio for the keying sequence only; without permission to transmit it unkeys it. Whatever
the radio does shows as a state with a reason (`linkview`), never as an exception to the tracker."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
from collections.abc import Awaitable, Callable
from typing import TypeVar

from moontrim.clock.system import Clock
from moontrim.rig.bandwatch import BandWatch, Unready, set_mode
from moontrim.rig.dials import Dials
from moontrim.rig.requests import Errands
from moontrim.rig.view import ANSWERING, Connected, LinkEvent, LinkState, LinkView, Lost
from moontrim.tuning.bandentry import BandEntry
from moontrim.tuning.steps import DialName, Plan
from moontrim_drivers.contract import (
    RigClosed,
    RigDetails,
    RigDriver,
    RigError,
    RigGarbled,
    RigRefused,
    RigTimeout,
)

log = logging.getLogger(__name__)
T = TypeVar("T")

FIRST_BACKOFF_S, LAST_BACKOFF_S, UNFIT_BACKOFF_S = 0.25, 1.5, 15.0


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
        self._driver = driver
        self._clock = clock
        self._report = report
        self._deadline_s = deadline_s
        self._poll_s = poll_s
        self._random = random.Random(seed)
        self._band = BandWatch()
        self._dials = Dials(driver, clock, self._call, report, self._band.inhibit, max_steps_per_s)
        self._wake = asyncio.Event()
        self._errands = Errands(self._wake)
        self._farewell: tuple[int | None, int | None] | None = None

    # --- what the tracker calls -------------------------------------------------------------------

    @property
    def view(self) -> LinkView:
        """What is known of the radio."""
        return self._dials.view

    def submit(self, plan: Plan, *, at_once: bool = False) -> None:
        """Take over a plan. Steps of the plan before it stay until the new one begins, unless
        at_once."""
        if self._dials.plan(plan, at_once=at_once):
            self._wake.set()

    def withdraw(self) -> None:
        """Forget whatever is planned: the dials stay where they are."""
        self._dials.drop_steps()

    @property
    def moving(self) -> bool:
        """Is a dial about to be set? `Updated` will follow."""
        return self._dials.setting or (not self._dials.frozen and self._dials.overdue())

    def enter(self, entry: BandEntry | None, *, changing: bool = False) -> None:
        """Have the radio as this band wants it before anything else; None: leave it alone.
        changing: it comes from another band, so it must not transmit until all is done."""
        self._band.enter(entry, changing=changing)
        self._dials.show(inhibit=self._band.inhibit(None), entered=False)
        self._wake.set()

    def permit_transmit(self, on: bool) -> None:
        """Without permission a radio found transmitting is unkeyed, again and again."""
        self._dials.permitted = on
        if not on:
            self.look_now()

    def keyed_outside(self, on: bool | None) -> None:
        """A relay, a foot switch or our own line says that the radio transmits; None: nobody
        does. For radios that cannot tell, or not soon enough."""
        if on is not self._dials.keyed_outside:
            self._dials.keyed_outside = on
            self.look_now()

    def unkey_first(self) -> None:
        """Whoever ran before may have left the radio keyed: as soon as it answers it is unkeyed."""
        self._dials.keyed_here = True

    def freeze(self, on: bool) -> None:
        """Leave the radio alone, dials and all, while relays settle; only `key` goes through, and
        then at once."""
        self._dials.frozen = on
        self._wake.set()

    async def key(self, on: bool) -> None:
        """Have the radio transmit or receive; returns when it has confirmed. Once asked for,
        receiving is seen to even if the caller gives up; a radio lost while keyed is unkeyed as
        soon as it answers again. Raises RigError."""
        if on and (self.view.inhibit or not self._dials.permitted):
            raise RigRefused(self.view.inhibit or "transmitting is forbidden")
        self._dials.keyed_here |= on
        await self._in_turn(self._ask, self._driver.set_transmit, on, for_sure=not on)
        self._dials.keyed_here = on

    async def still(self) -> None:
        """Returns as soon as nothing is under way with the radio; frozen, nothing else begins then.
        Raises RigError."""
        await self._in_turn(_nothing)

    async def details(self) -> RigDetails:
        """Mode and power as they are. Raises RigError."""
        return await self._in_turn(self._ask, self._driver.details)

    async def set_mode(self, mode: str, passband_hz: int) -> None:
        """Set mode and filter, and put the dials back if that moved them. Raises RigError."""
        await self._in_turn(self._set_mode, mode, passband_hz)

    async def _set_mode(self, mode: str, passband_hz: int) -> None:
        await self._refuse_under_rf()
        entry, dials_hz = self._band.entry, self._dials.standing
        if entry is not None:
            dials_hz = entry.settable(dials_hz)
        await set_mode(mode, passband_hz, self._driver, self._call, dials_hz)

    async def set_power(self, fraction: float) -> None:
        """RF power, never above the band's ceiling. Raises RigError."""
        await self._in_turn(self._set_power, fraction)

    async def _set_power(self, fraction: float) -> None:
        await self._refuse_under_rf()
        ceiling = self._band.entry.drive_ceiling if self._band.entry else None
        if ceiling is not None and fraction > ceiling:
            raise RigRefused(f"above the drive ceiling of {100 * ceiling:.1f} %")
        await self._call(self._driver.set_power(fraction))

    async def _refuse_under_rf(self) -> None:
        if not self._dials.frozen and not await self._receiving():
            raise RigRefused("not while the radio transmits")
        if self._dials.frozen:
            raise RigRefused("not while relays move")

    async def _in_turn(
        self, act: Callable[..., Awaitable[T]], *given: object, for_sure: bool = False
    ) -> T:
        if self.view.state not in ANSWERING:
            raise RigClosed(f"the radio does not answer: {self.view.reason}")
        return await self._errands.ask(act, *given, for_sure=for_sure)

    def look_now(self) -> None:
        """Read the radio back at once and report `Updated`."""
        self._dials.look_asked = True
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
                    elif isinstance(error, RigTimeout):
                        # It has been waited for already, and may be switched on at any moment.
                        backoff_s = FIRST_BACKOFF_S
                    await self._rest(backoff_s * self._random.uniform(0.75, 1.25))
                    backoff_s = min(LAST_BACKOFF_S, 2 * backoff_s)
        finally:
            await self._driver.close()

    async def _open(self) -> None:
        dials = self._dials
        unkey = dials.keyed_here or not dials.permitted or bool(self.view.inhibit)
        # Opening asks several questions.
        await self._call(self._driver.open(unkey=unkey), self._deadline_s)
        await self._dials.unkey_if_left_keyed()
        rig = await self._call(self._driver.read())
        self._dials.begin(rig)
        capabilities = self._driver.capabilities
        self._dials.show(
            state=LinkState.READY,
            reason="",
            split=capabilities.split,
            dial_resolution_hz=capabilities.dial_resolution_hz,
            steps_per_s=self._dials.steps_per_s(),
            connections=self.view.connections + 1,
        )
        self._report(Connected(rig))

    def _fail(self, error: RigError) -> None:
        state = LinkState.LOST if error.transient else LinkState.UNFIT
        reason = str(error)
        first = self.view.reason != reason
        self._dials.forget()
        self._errands.end(reason)
        failures = self.view.failures + 1
        self._dials.show(state=state, reason=reason, rig=None, entered=False, failures=failures)
        if first:
            log.warning("radio %s: %s", error.reason, error)
            self._report(Lost(reason))

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
                await errand.run()
                self._dials.look_asked = True
                continue
            if self._farewell is not None:
                await self._leave(*self._farewell)
                return
            if self._dials.frozen:
                self._wake.clear()
                await self._clock.wait(self._wake, self._poll_s)
                continue
            now_s = self._clock.monotonic_s()
            if self._band.due_s <= now_s:
                await self._attend_to_band()
                continue
            wait_s = await self._dials.attend(self._poll_s)
            if wait_s > 0.0:
                self._wake.clear()
                await self._clock.wait(self._wake, min(wait_s, self._band.due_s - now_s))

    async def _ask(self, act: Callable[..., Awaitable[T]], *given: object) -> T:
        return await self._call(act(*given))

    async def _call(self, call: Awaitable[T], more_s: float = 0.0) -> T:
        """What the driver answers within the deadline and so much more."""
        limit_s = self._deadline_s + more_s
        try:
            async with self._clock.timeout(limit_s):
                return await call
        except TimeoutError:
            raise RigTimeout(f"no answer within {limit_s:g} s") from None

    async def _leave(self, rx_hz: int | None, tx_hz: int | None) -> None:
        await self._dials.look()
        rig = self.view.rig
        if rig is None or rig.transmitting or (rx_hz is None and tx_hz is None):
            return
        with contextlib.suppress(RigRefused):
            await self._call(
                self._driver.set_dials(rx_hz, tx_hz if self.view.split else None),
                self._driver.capabilities.driver_pauses_s,
            )

    # --- the band ---------------------------------------------------------------------------------

    async def _attend_to_band(self) -> None:
        await self._band.attend(
            self._driver, self._call, self._clock.monotonic_s, self._receiving, self._move_dials
        )
        if self._band.entered is not self.view.entered:
            self._dials.show(entered=self._band.entered)
        self._dials.update_inhibit()

    async def _move_dials(self) -> dict[DialName, int]:
        await self._dials.take_due_steps()
        if self.view.state is not LinkState.READY:
            raise Unready(self.view.reason)
        return dict(self._dials.standing)

    async def _receiving(self) -> bool:
        """Look; a radio found transmitting while inhibited is unkeyed by that. Does it receive?"""
        await self._dials.look()
        if self.view.rig is not None and self.view.rig.transmitting:
            await self._dials.look()
        return self.view.rig is not None and not self.view.rig.transmitting


async def _nothing() -> None:
    pass
