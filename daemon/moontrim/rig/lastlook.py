"""The last look at the radio before it is keyed, and the key itself.

While relays settle the radio is left alone, long enough for a person to turn a dial or the drive.
So everything that RF depends on is read back once more and judged, and the key follows at once:

    drive, settings -> dials -> permission -> key       nothing else goes to the radio in between

Calls the band watch, the dials, the guard and the driver."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from functools import partial

from moontrim.formats import grouped
from moontrim.rig.bandwatch import BandWatch
from moontrim.rig.deadline import DeadlineDriver
from moontrim.rig.dials import Dials
from moontrim.rig.transmitguard import TransmitGuard
from moontrim_drivers.contract import RigRefused


class LastLook:
    """Judges the radio right before RF.

    passed: the last one found nothing wrong, so there may be RF since. in_turn: awaits a call of
    the driver when the link's task gets to it."""

    def __init__(
        self,
        driver: DeadlineDriver,
        guard: TransmitGuard,
        dials: Dials,
        band: BandWatch,
        in_turn: Callable[..., Awaitable[None]],
    ) -> None:
        self.passed = False
        self._driver = driver
        self._guard = guard
        self._dials = dials
        self._band = band
        self._in_turn = in_turn
        self._wanted = False

    def forget(self) -> None:
        """Forgets the last one, and gives up one that is under way: no key follows it."""
        self.passed = self._wanted = False

    async def key(self, doubt: Callable[[], str]) -> None:
        """Looks, and keys the radio if all is as it was. doubt: returns why it must not be keyed
        after all, empty if it may; called right before the key. Raises RigRefused where it is not,
        and RigError when there is no usable answer; then no key was sent."""
        self._guard.begin_keying()
        await self._while_wanted(partial(self._look_and_key, doubt))

    async def unkey(self) -> None:
        """Unkeys the radio, even if the caller gives up; nothing to do where it cannot be keyed.
        Raises RigError."""
        self.forget()
        if not self._guard.cannot_key:
            await self._in_turn(self._driver.set_transmit, False, even_if_abandoned=True)

    async def check(self) -> None:
        """Looks only: another line keys the radio. Raises as `key` does."""
        self._guard.refuse_if_interlocked()
        await self._while_wanted(self._look)

    async def _while_wanted(self, act: Callable[[], Awaitable[None]]) -> None:
        self.passed, self._wanted = False, True
        try:
            await self._in_turn(act)
        except BaseException:  # cancelled, too, as when the over is dropped meanwhile
            self.forget()
            raise

    async def _look_and_key(self, doubt: Callable[[], str]) -> None:
        await self._look()
        if reason := doubt():
            raise RigRefused(reason)
        await self._driver.set_transmit(True)

    async def _look(self) -> None:
        await self._band.check_before_keying()
        # The dials last: they decide where the RF goes.
        before_hz = self._dials.standing
        await self._dials.look()
        for which, hz in self._dials.standing.items():
            if hz != before_hz.get(which):
                before = "unknown" if which not in before_hz else grouped(before_hz[which])
                raise RigRefused(f"the {which} dial went from {before} to {grouped(hz)} Hz")
        self._guard.refuse_if_interlocked()
        if not self._wanted:
            raise RigRefused("released meanwhile")
        self.passed = True
