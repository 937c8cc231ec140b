"""Decides whether the radio may transmit, keeps track of who has keyed it, and unkeys it where it
must not transmit.

The radio must not transmit while the operator inhibits it, nor while there is an interlock: the
band that it is on has one (it is being entered, its drive is too high ...), or the dial that
transmits is outside the band's range. Calls the driver only."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from moontrim.rig.deadline import DeadlineDriver
from moontrim.rig.view import Interlocked, LinkEvent, NotUnkeyed, TransmitChanged, Updated
from moontrim.tuning.bandentry import BandEntry
from moontrim_drivers.contract import RigError, RigNotSuitable, RigRefused, RigState


class TransmitGuard:
    """Holds whether the operator allows transmit, and the interlock.

    interlock: why the radio, as last read back, must not transmit; empty if it may.
    band_reason: the part of that which the band has set.
    cannot_key: why this radio has no transmit command that works, with the remedy; empty if it has,
        as far as is known.
    front_end_confirmed: the operator has confirmed that the band's front end is connected."""

    def __init__(self, driver: DeadlineDriver, report: Callable[[LinkEvent], object]) -> None:
        self.interlock = ""
        self.band_reason = ""
        self.cannot_key = ""
        self.front_end_confirmed = True
        self._driver = driver
        self._report = report
        self._tx_allowed = True
        self._entered: BandEntry | None = None  # the band whose range the dial must be in
        self._keyed_by_us = False  # until the radio has confirmed that it receives
        self._keyed_outside: bool | None = None
        self._unkey_failed = False
        self._unkeyed = False  # at least once since it was found transmitting

    # --- what it is to go by ----------------------------------------------------------------------

    def allow_transmit(self, on: bool) -> None:
        """Gives or takes away the operator's permission."""
        self._tx_allowed = on

    def set_keyed_outside(self, on: bool | None) -> bool:
        """Takes over what a contact or our own keying line says; returns whether that is new."""
        changed = on is not self._keyed_outside
        self._keyed_outside = on
        return changed

    def assume_keyed(self) -> None:
        """Has the radio unkeyed before anything else as soon as it answers."""
        self._keyed_by_us = True

    def begin_band(self, reason: str) -> None:
        """Forgets the band before; sets the interlock, without a report, where there is a
        reason."""
        self._entered = None
        self.band_reason = self.interlock = reason

    def set_band(self, entry: BandEntry, reason: str) -> None:
        """Takes over the outcome of a check of the band. reason: why the radio must not transmit on
        it; if empty, the dial that transmits must be inside its range from now on."""
        self._entered = None if reason else entry
        self.band_reason = reason

    # --- what follows from it ---------------------------------------------------------------------

    def judge(self, rig: RigState | None) -> bool:
        """Works out `interlock` anew for a radio in that state; returns whether it has changed."""
        outside = ""
        if self._entered is not None and rig is not None:
            outside = self._entered.out_of_range(rig)
        before, self.interlock = self.interlock, outside or self.band_reason
        return self.interlock != before

    def report_interlock(self) -> None:
        """Reports that `interlock` has changed."""
        self._report(Interlocked(self.interlock) if self.interlock else Updated())

    def correct(self, rig: RigState) -> RigState:
        """Returns the state with `transmitting` as it is known from all sides: a radio that cannot
        tell transmits while we have it keyed, and any radio while a contact says so."""
        transmitting = rig.transmitting
        if transmitting is None and self._keyed_by_us:
            transmitting = True
        if self._keyed_outside is not None:
            transmitting = bool(transmitting) or self._keyed_outside
        return rig if transmitting is rig.transmitting else replace(rig, transmitting=transmitting)

    def report_transmit(self, before: RigState | None, now: RigState) -> None:
        """Reports it if transmitting has begun or ended between these two corrected states."""
        on = now.transmitting
        if before is not None and on is not None and on != before.transmitting:
            self._report(TransmitChanged(on))

    # --- keying and unkeying ----------------------------------------------------------------------

    def begin_keying(self) -> None:
        """Counts the radio as keyed by us from now on. Raises RigRefused if it must not transmit;
        nothing may be sent to it then."""
        self.refuse_if_interlocked()
        self._keyed_by_us = True

    def refuse_if_interlocked(self) -> None:
        """Raises RigRefused if the radio must not transmit."""
        if self.interlock or not self._tx_allowed:
            raise RigRefused(self.interlock or "transmit is inhibited")

    def confirm_keyed(self, on: bool) -> None:
        """Takes over that the radio has confirmed that it transmits or receives."""
        self._keyed_by_us = on

    @property
    def unkey_on_open(self) -> bool:
        """Must a radio that answers again be unkeyed before anything is set?"""
        return self._keyed_by_us or not self._tx_allowed or bool(self.interlock or self.cannot_key)

    async def unkey_if_left_keyed(self) -> None:
        """Unkeys a radio that was lost while we had it keyed, or that a run before this one may
        have left so; one that cannot be keyed cannot have been. Raises RigError when there is no
        usable answer."""
        if not self._keyed_by_us and not self.cannot_key:
            return
        self.cannot_key = ""
        try:
            await self._driver.set_transmit(False)
        except RigNotSuitable as error:
            self.cannot_key = str(error)
        except RigRefused as error:
            if (await self._driver.read()).transmitting is not False:
                self._keyed_by_us = True
                self._report_not_unkeyed(error)
                return
        self._keyed_by_us = False

    async def enforce(self, rig: RigState) -> bool:
        """Unkeys the radio if it said (`rig`, uncorrected) that it transmits and it must not.
        Returns whether it should be looked at again at once; that is so only the first time, since
        a foot switch may hold it. Raises RigError when there is no usable answer."""
        if not rig.transmitting or not (self.interlock or not self._tx_allowed):
            self._unkeyed = self._unkey_failed = False
            return False
        confirmed = await self._unkey()
        first = confirmed and not self._unkeyed
        self._unkeyed |= confirmed
        return first

    async def _unkey(self) -> bool:
        """Returns whether the radio confirms; the first failure is reported."""
        try:
            await self._driver.set_transmit(False)
        except (RigRefused, RigNotSuitable) as error:
            self._report_not_unkeyed(error)
            return False
        return True

    def _report_not_unkeyed(self, error: RigError) -> None:
        """Reports the first failure."""
        if not self._unkey_failed:
            self._report(NotUnkeyed(str(error)))
        self._unkey_failed = True
