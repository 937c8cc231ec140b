"""Brings a radio to what its band wants besides the dials, and watches that it stays so: drive
below the ceiling, mode and filter, each read back.

Until that is done, and whenever it is found undone, the transmit guard has an interlock for the
radio. Entering goes

    drive down -> [receiving?] -> commands -> dials to the band -> mode and filter -> drive down
    -> look

and what fails is tried again every two seconds. Drive down twice, because some radios remember a
power for each of their bands and set it when a dial goes there. Some radios go to full power for a
moment while their power is set, so it is set only where the driver says that it is safe. Power,
mode and free-form commands wait for the end of an over. Raises what the driver raises; a radio that
cannot be made ready shows as a reason. Calls the dials, the readback, the guard and the driver."""

from __future__ import annotations

from collections.abc import AsyncIterator

from moontrim.clock.system import Clock
from moontrim.rig.deadline import DeadlineDriver
from moontrim.rig.dials import Dials
from moontrim.rig.panel import mismatch, not_watched, offsets_on
from moontrim.rig.readback import SPARE_S, Readback
from moontrim.rig.settingmode import Unready, set_mode
from moontrim.rig.transmitguard import TransmitGuard
from moontrim.rig.view import LinkState
from moontrim.tuning.bandentry import BandEntry
from moontrim_drivers.contract import RigDetails, RigNotSuitable, RigRefused

# Radios round their power: to a step of 255, or to whole per cent.
DRIVE_ROUNDING = 0.005

# How often drive, mode, RIT and the like are compared with what they must be. Chosen: a part of an
# over.
CHECK_EVERY_S = 5.0
# The same for the drive under RF. Chosen: with an answer and the check of the sequence, RF ends
# within 0.5 s of an excess.
DRIVE_KEYED_EVERY_S = 0.25
# By how much a question may be put off to come between two steps, which it would delay. Chosen:
# with no such gap the dials move ten times a second; under RF the drive must be seen in time.
PUT_OFF_S, PUT_OFF_KEYED_S = 0.5, 0.1
AGAIN_S = 2.0  # until what went wrong is tried again; chosen: as the dials' pause


def exceeds_ceiling(entry: BandEntry, drive: float | None) -> bool:
    """Returns whether a drive that the radio reports is known to be above the ceiling."""
    ceiling = entry.drive_ceiling
    return ceiling is not None and drive is not None and drive > ceiling + DRIVE_ROUNDING


async def check_drive(entry: BandEntry, driver: DeadlineDriver) -> None:
    """Raises Unready if the drive is above the ceiling, or if the radio cannot tell."""
    if entry.drive_ceiling is None:
        return
    drive = await driver.power_fraction()
    if drive is None:
        raise Unready("the radio does not report its power, so drive cannot be limited")
    if exceeds_ceiling(entry, drive):
        raise Unready(
            f"drive is {100 * drive:.1f} %, above the ceiling of {100 * entry.drive_ceiling:.1f} %"
        )


async def lower_drive(entry: BandEntry, driver: DeadlineDriver) -> None:
    """Brings the drive below the ceiling and reads it back. Raises Unready."""
    try:
        await check_drive(entry, driver)
    except Unready as above:
        if not driver.capabilities.sets_power:
            raise Unready(f"{above}; reduce it by hand") from None
        if (await driver.read()).transmitting is not False:
            raise Unready(f"{above}; not set while the radio transmits") from None
        await driver.set_power(entry.drive_ceiling or 0.0)
        await check_drive(entry, driver)


class BandWatch:
    """Enters one band after another; awaited by the link's own task only.

    entry: what the band wants; None: the radio is left alone."""

    def __init__(
        self,
        driver: DeadlineDriver,
        guard: TransmitGuard,
        readback: Readback,
        dials: Dials,
        clock: Clock,
    ) -> None:
        self.entry: BandEntry | None = None
        self._due_s = float("inf")
        self._drive_checked_s = self._panel_checked_s = -float("inf")
        self._mode: str | None = None  # that the radio is to be in, once that is known
        self._driver = driver
        self._guard = guard
        self._readback = readback
        self._dials = dials
        self._clock = clock
        self._entered = False  # perhaps but for a mode that waits for the end of somebody's over
        self._mode_is_set = False
        self._commands_sent = False
        self._details: AsyncIterator[RigDetails | None] | None = None  # half asked for
        self._question_s = 0.0  # the longest that a question took in this check or the last

    @property
    def due_s(self) -> float:
        """When `enter_or_check` is to be called next, in monotonic seconds."""
        if not self._entered:
            return self._due_s
        put_off_s = 0.0 if self._dials.free_s() >= self._question_s else PUT_OFF_S
        rig = self._readback.view.rig
        watched = self.entry is not None and self.entry.drive_ceiling is not None
        if not (watched and rig is not None and rig.transmitting):
            return self._due_s + put_off_s
        drive_due_s = self._drive_checked_s + DRIVE_KEYED_EVERY_S
        return min(self._due_s + put_off_s, drive_due_s + min(put_off_s, PUT_OFF_KEYED_S))

    def begin(self, entry: BandEntry | None, *, changing: bool) -> None:
        """Begins with another band, or anew with the same radio; None: leaves the radio alone.
        changing: it must not transmit until it is as the band wants it."""
        self.entry, self._entered, self._mode_is_set = entry, False, False
        self._commands_sent = False
        self._details = None
        self._mode = None if entry is None else entry.mode
        self._due_s = float("inf") if entry is None else 0.0
        self._guard.begin_band(
            f"changing to {entry.name}" if entry is not None and changing else ""
        )
        self._readback.show(interlock=self._guard.interlock, entered=False, panel="")

    async def enter_or_check(self) -> None:
        """Enters the band or, once entered, goes on checking that the radio is as it wants, by one
        question at a time; whatever is wrong is tried again. Raises RigError when there is no
        usable answer."""
        entry = self.entry
        if entry is not None:
            mode_is_set = self._mode_is_set
            reason = ""
            try:
                if self._entered:
                    await self._ask_next(entry)
                else:
                    await self._lower_drive(entry)
                if not mode_is_set and await self._dials.receiving():
                    await self._set_commands_dials_and_mode(entry)
                    mode_is_set = True
                if not self._entered:
                    await self._adjust_panel(entry, await self._driver.details())
            except (RigRefused, RigNotSuitable) as error:
                reason = f"{entry.name}: {error}"
            if self.entry is entry:  # or another band was chosen meanwhile
                self._end_check(entry, reason, mode_is_set)
        self._show_outcome()

    async def check_before_keying(self) -> None:
        """Checks once more, right before the radio is keyed, that it is as the band wants it.
        Raises Unready where it is not, which is an interlock as well."""
        entry = self.entry
        if entry is None or not self._entered:
            return
        try:
            await check_drive(entry, self._driver)
            self._check_panel(entry, await self._driver.details())
        except (RigRefused, RigNotSuitable) as error:
            if self.entry is entry:
                self._end_check(entry, f"{entry.name}: {error}", self._mode_is_set)
                self._show_outcome()
            raise

    def _show_outcome(self) -> None:
        if self._entered is not self._readback.view.entered:
            self._readback.show(entered=self._entered)
        before = self._guard.interlock
        self._readback.update_interlock()
        if self._guard.interlock not in ("", before):
            self._readback.request_look()  # which unkeys it, whoever has keyed it

    async def set_mode(self, mode: str, passband_hz: int) -> None:
        """Sets mode and filter at somebody's request, and the dials again where that moved them,
        none of them to transmit outside the band's range. Raises RigRefused under RF."""
        await self._refuse_under_rf()
        standing = self._dials.standing
        if self.entry is not None:
            standing = self.entry.settable(standing)
        await set_mode(mode, passband_hz, self._driver, standing)
        self._mode = mode

    async def set_power(self, fraction: float) -> None:
        """Sets the RF power at somebody's request. Raises RigRefused under RF, above the band's
        ceiling, and where the front end is not confirmed: the power is meant for another."""
        await self._refuse_under_rf()
        if not self._guard.front_end_confirmed:
            raise RigRefused("front end not confirmed since it was changed")
        ceiling = self.entry.drive_ceiling if self.entry else None
        if ceiling is not None and fraction > ceiling:
            raise RigRefused(f"above the drive ceiling of {100 * ceiling:.1f} %")
        await self._driver.set_power(fraction)

    async def _refuse_under_rf(self) -> None:
        if not self._dials.held_for_relays and not await self._dials.receiving():
            raise RigRefused("not while the radio transmits")
        if self._dials.held_for_relays:  # perhaps only since that look
            raise RigRefused("not while relays move")

    async def _ask_next(self, entry: BandEntry) -> None:
        """Asks the radio the next question of a check. Raises Unready if the drive is above the
        ceiling, and as `_adjust_panel` does."""
        details, self._details = self._details, None  # not gone on with if anything is raised
        began_s = self._clock.monotonic_s()
        if details is None or began_s - self._drive_checked_s >= DRIVE_KEYED_EVERY_S:
            await check_drive(entry, self._driver)
            self._drive_checked_s = self._clock.monotonic_s()
            if details is None:
                self._question_s = 0.0
                if began_s - self._panel_checked_s >= CHECK_EVERY_S - SPARE_S:
                    details = self._driver.details_in_parts()
        elif (answer := await anext(details)) is not None:
            await self._adjust_panel(entry, answer)
            details = None
        self._question_s = max(self._question_s, self._clock.monotonic_s() - began_s)
        if self.entry is entry:
            self._details = details

    async def _lower_drive(self, entry: BandEntry) -> None:
        # A look unkeys a radio with an interlock.
        if self._guard.band_reason and not await self._dials.receiving():
            raise Unready("the radio transmits and cannot be unkeyed")
        await lower_drive(entry, self._driver)
        self._drive_checked_s = self._clock.monotonic_s()

    async def _adjust_panel(self, entry: BandEntry, details: RigDetails) -> None:
        """Turns the drive down and, of RIT, XIT and repeater shift, switches off what is on, where
        the band wants that. Raises Unready if any of them, or the mode, has put the radio off its
        dials."""
        if exceeds_ceiling(entry, details.power_fraction):
            await lower_drive(entry, self._driver)
        if (
            entry.clear_offsets
            and offsets_on(details)
            and await self._dials.receiving()
            and not self._dials.held_for_relays  # perhaps only since that look
        ):
            await self._driver.clear_offsets()
            details = await self._driver.details()
        self._check_panel(entry, details)

    def _check_panel(self, entry: BandEntry, details: RigDetails) -> None:
        """Raises Unready if what the radio reports has put it off its dials. A mode that the band
        names is then set again."""
        if self.entry is not entry:
            return
        self._panel_checked_s = self._clock.monotonic_s()
        self._mode = self._mode or details.mode
        panel = mismatch(details, self._mode)
        self._readback.show(panel=panel, not_watched=not_watched(details))
        if panel:
            raise Unready(panel)

    async def _set_commands_dials_and_mode(self, entry: BandEntry) -> None:
        if entry.commands and not self._commands_sent:
            await self._driver.send_commands(entry.commands)
            self._commands_sent = self.entry is entry
        if self._dials.moved.waiting:
            raise Unready("a dial has just been moved on the radio")
        await self._dials.take_due_steps()
        view = self._readback.view
        if view.state is not LinkState.READY:
            raise Unready(view.reason)
        standing = entry.settable(self._dials.standing)
        if entry.mode is not None:
            await set_mode(entry.mode, entry.passband_hz, self._driver, standing)
        await self._dials.receiving()

    def _end_check(self, entry: BandEntry, reason: str, mode_is_set: bool) -> None:
        self._guard.set_band(entry, reason)
        self._entered = not reason
        self._mode_is_set = mode_is_set and not reason
        next_s = CHECK_EVERY_S if self._mode_is_set else AGAIN_S
        self._due_s = self._clock.monotonic_s() + (next_s if self._details is None else 0.0)
