"""The one owner of a driver: connects, reconnects, and decides what is done next.

Gets plans from the tracker, has their steps taken at their instants, and reports what happens at
the radio through a callback. Knows nothing of the Moon, of agreements or of the sked frequency. It
keys the radio for the keying sequence only; without permission to transmit it unkeys it. Whatever
the radio does shows as a state with a reason (`rig.view`), never as an exception to the tracker."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from functools import partial
from typing import TypeVar

from moontrim.clock.system import Clock
from moontrim.rig.bandwatch import BandWatch
from moontrim.rig.deadline import DeadlineDriver
from moontrim.rig.dials import Dials
from moontrim.rig.lastlook import LastLook
from moontrim.rig.latency import Durations
from moontrim.rig.readback import Readback
from moontrim.rig.reconnecting import ReconnectPauses
from moontrim.rig.requests import DriverRequests, as_rig_error, give_up
from moontrim.rig.steplog import StepLog
from moontrim.rig.transmitguard import TransmitGuard
from moontrim.rig.view import ANSWERING, Connected, LinkEvent, LinkState, LinkView, Lost
from moontrim.tuning.bandentry import BandEntry
from moontrim.tuning.steps import Plan
from moontrim_drivers.contract import (
    RigClosed,
    RigDetails,
    RigDriver,
    RigError,
)
from moontrim_drivers.emergencyunkey import EmergencyUnkey

T = TypeVar("T")


class RigLink:
    """Runs one driver for ever. Made in the event loop; `run` is its only task.

    steps: every change of a dial. report: called with each event. deadline_s: for one answer of the
    driver. poll_s: the longest without a look at the radio. seed: of the jitter of reconnection."""

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
        self._clock = clock
        self._report = report
        self._poll_s = poll_s
        self._pauses = ReconnectPauses(seed)
        durations = Durations()
        self.steps = StepLog()
        self._driver = timed = DeadlineDriver(driver, clock, deadline_s, self.steps)
        self._guard = guard = TransmitGuard(timed, report)
        self._readback = readback = Readback(timed, guard, clock, report, durations, self.steps)
        self._dials = Dials(timed, readback, clock, report, durations, max_steps_per_s)
        self._band = BandWatch(timed, guard, readback, self._dials, clock)
        self._last_look = LastLook(timed, guard, self._dials, self._band, self._in_turn)
        self._wake = asyncio.Event()
        self._requests = DriverRequests(self._wake)
        self._farewell: tuple[int | None, int | None] | None = None

    # --- what the tracker calls -------------------------------------------------------------------

    @property
    def view(self) -> LinkView:
        """What is known of the radio."""
        return self._readback.view

    def submit(self, plan: Plan, *, at_once: bool = False) -> None:
        """Takes over a plan; the steps before it stay until it begins, unless at_once."""
        if self._dials.take_plan(plan, at_once=at_once):
            self._wake.set()

    def withdraw(self) -> None:
        """Drops what is planned: the dials stay where they are."""
        self._dials.drop_steps()

    def retuned(self) -> None:
        """Forgets that a dial has just moved: by a command it is to be set elsewhere now."""
        self._dials.moved.forget()

    @property
    def moving(self) -> bool:
        """Is a dial about to be set? `Updated` will follow."""
        return self._dials.moving

    def enter_band(self, entry: BandEntry | None, *, changing: bool = False) -> None:
        """Brings the radio to what this band wants before anything else; None: leaves it alone.
        changing: from another band, so it must not transmit until all is done."""
        self._band.begin(entry, changing=changing)
        self._wake.set()

    def look_now(self) -> None:
        """Reads the radio back at once and reports `Updated`."""
        self._readback.request_look()
        self._wake.set()

    def retire(self, rx_hz: int | None, tx_hz: int | None) -> None:
        """Ends `run` after setting the dials (None: as they are), if the radio receives."""
        self._farewell = (rx_hz, tx_hz)
        self._wake.set()

    # --- what the transmit side calls -------------------------------------------------------------

    def allow_transmit(self, on: bool, *, front_end_confirmed: bool = True) -> None:
        """Gives or takes away permission: without it a radio found transmitting is unkeyed. While
        the front end is not confirmed, power is not set at anybody's request either."""
        self._guard.front_end_confirmed = front_end_confirmed
        self._guard.allow_transmit(on)
        if not on:
            self.look_now()

    def set_keyed_outside(self, on: bool | None) -> None:
        """Takes over whether a contact or our own keying line shows that the radio transmits, for
        radios that cannot tell, or not soon enough; None: nothing can tell."""
        if self._guard.set_keyed_outside(on):
            self.look_now()

    def unkey_first(self) -> None:
        """Has the radio unkeyed as soon as it answers: the last run may have left it keyed."""
        self._guard.assume_keyed()

    def emergency_unkey(self) -> EmergencyUnkey | None:
        """Returns how another process can unkey the radio; None where none can, or none answers."""
        return self._driver.emergency_unkey() if self.view.state in ANSWERING else None

    def reconnect(self, reason: str) -> None:
        """Opens the connection anew; a radio that we had keyed is unkeyed first."""
        self._requests.post(partial(give_up, reason))

    def hold_for_relays(self, on: bool) -> None:
        """Leaves the radio alone while relays settle, but for the look before keying and `key`."""
        if on is not self._dials.held_for_relays:
            self._last_look.forget()
        self._dials.hold_for_relays(on)
        self._wake.set()

    async def wait_until_quiet(self) -> None:
        """Returns as soon as nothing is under way with the radio; while held for relays, nothing
        else begins then. Raises RigError."""
        await self._in_turn(self._clock.sleep, 0.0)

    async def key(self, doubt: Callable[[], str]) -> None:
        """Has the radio transmit, after a last look at it; returns when it has confirmed. doubt:
        returns why it must not be keyed; empty if it may. Raises RigError."""
        await self._last_look.key(doubt)
        self._guard.confirm_keyed(True)

    async def unkey(self) -> None:
        """Has the radio receive; returns when it has confirmed. Once requested, it is brought about
        even if the caller gives up; a radio lost while keyed is unkeyed as soon as it answers
        again. Raises RigError."""
        await self._last_look.unkey()
        self._guard.confirm_keyed(False)

    async def look_before_keying(self) -> None:
        """Looks at the radio right before another line keys it. Raises RigError."""
        await self._last_look.check()

    # --- what other programs request --------------------------------------------------------------

    async def details(self) -> RigDetails:
        """Returns mode and power as they are. Raises RigError."""
        return await self._in_turn(self._driver.details)

    async def set_mode(self, mode: str, passband_hz: int) -> None:
        """Sets mode and filter, and puts the dials back if that moved them. Raises RigError."""
        await self._in_turn(self._band.set_mode, mode, passband_hz)

    async def set_power(self, fraction: float) -> None:
        """Sets the RF power, never above the band's ceiling. Raises RigError."""
        await self._in_turn(self._band.set_power, fraction)

    async def _in_turn(
        self,
        act: Callable[..., Awaitable[T]],
        *arguments: object,
        even_if_abandoned: bool = False,
    ) -> T:
        if self.view.state not in ANSWERING:
            raise RigClosed(f"no contact with radio: {self.view.reason}")
        return await self._requests.run_in_turn(
            act, *arguments, even_if_abandoned=even_if_abandoned
        )

    # --- the life of the link ---------------------------------------------------------------------

    async def run(self) -> None:
        """Connects, serves, and starts again after any failure, until retired or cancelled."""
        try:
            while self._farewell is None:
                try:
                    await self._open()
                    self._pauses.reset()
                    await self._serve()
                except Exception as mistake:
                    # Whatever it was, the link must live: only it can unkey a keyed radio.
                    error = as_rig_error(mistake, self.view.reason)
                    await self._driver.close()
                    self._fail(error)
                    await self._rest(self._pauses.after(error))
        finally:
            await self._driver.close()

    async def _open(self) -> None:
        """Unkeys the radio, where it may be keyed and must not be, before anything else."""
        await self._driver.open(unkey=self._guard.unkey_on_open)
        await self._guard.unkey_if_left_keyed()
        rig = await self._driver.read()
        self._dials.begin(rig)
        capabilities = self._driver.capabilities
        self._readback.show(
            state=LinkState.READY,
            reason="",
            split=capabilities.split,
            cannot_key=self._guard.cannot_key,
            dial_resolution_hz=capabilities.dial_resolution_hz,
            steps_per_s=self._dials.steps_per_s(),
            connections=self.view.connections + 1,
        )
        self._report(Connected(rig))

    async def _serve(self) -> None:
        """Does one thing at a time, the most urgent first, until retired. Raises RigError when
        there is no usable answer."""
        while True:
            await self._clock.sleep(0.0)  # other tasks run even if the driver never waits
            if request := self._requests.next():
                await request.run()
                self._readback.request_look()
                continue
            if self._farewell is not None:
                await self._dials.leave_at(*self._farewell)
                return
            if self._dials.held_for_relays and not self._last_look.passed:
                await self._wait(self._poll_s)
                continue
            now_s = self._clock.monotonic_s()
            if self._band.due_s <= now_s:
                await self._band.enter_or_check()
                continue
            wait_s = await self._dials.do_what_is_due(self._poll_s)
            if wait_s > 0.0:
                await self._wait(min(wait_s, self._band.due_s - now_s))

    def _fail(self, error: RigError) -> None:
        """Shows that the radio does not answer, and reports it if the reason is new."""
        state = LinkState.NO_CONTACT if error.transient else LinkState.NOT_SUITABLE
        reason = str(error)
        new = self.view.reason != reason
        self._dials.forget()
        self._requests.fail_all(reason)
        failures = self.view.failures + 1
        self._readback.show(state=state, reason=reason, rig=None, entered=False, failures=failures)
        if new:
            self._report(Lost(reason))

    async def _rest(self, duration_s: float) -> None:
        """Waits for the end of a backoff, or a retirement."""
        until_s = self._clock.monotonic_s() + duration_s
        while self._farewell is None and (left_s := until_s - self._clock.monotonic_s()) > 0:
            await self._wait(left_s)

    async def _wait(self, duration_s: float) -> None:
        """Waits so long, or until something is wanted of the link."""
        self._wake.clear()
        await self._clock.wait(self._wake, duration_s)
