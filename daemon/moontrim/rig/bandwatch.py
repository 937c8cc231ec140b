"""Brings a radio to what its band wants besides the dials, and keeps it there: drive below the
ceiling, mode and filter, every one read back.

Raises what the driver raises; a radio that cannot be made ready raises Unready, and then must not
transmit. Some radios go to full power for a moment while their power is set, so it is set only
where the driver says that it is safe. Power, mode and free-form commands wait for the end of an
over."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

from moontrim.tuning.bandentry import BandEntry
from moontrim.tuning.steps import DialName
from moontrim_drivers.contract import RigDriver, RigRefused, RigState, RigUnfit

# Radios round their power: to a step of 255, or to whole per cent.
DRIVE_ROUNDING = 0.005

DRIVE_EVERY_S = 5.0  # how often the drive is compared with its ceiling
AGAIN_S = 2.0  # until what went wrong is tried again

Call = Callable[..., Awaitable[Any]]  # an answer, within the deadline and so many seconds more


class Unready(RigRefused):
    """The radio is not as the band wants it."""


async def set_mode(
    mode: str, passband_hz: int, driver: RigDriver, call: Call, dials_hz: dict[DialName, int]
) -> None:
    """Mode and filter; then the dials again where the change of mode has moved them. `call` puts a
    deadline on each step."""
    pauses_s = driver.capabilities.driver_pauses_s
    await call(driver.set_mode(mode, passband_hz), pauses_s)
    found = await call(driver.details())
    if found.mode is not None and found.mode != mode:
        raise Unready(f"mode was set to {mode} but reads back as {found.mode}")
    rig = await call(driver.read())
    moved = {
        which: hz
        for which, hz in dials_hz.items()
        if hz != (rig.rx_dial_hz if which == "rx" else rig.tx_dial_hz)
    }
    if moved:
        rig = await call(driver.set_dials(moved.get("rx"), moved.get("tx")), pauses_s)
        for which, hz in moved.items():
            if hz != (rig.rx_dial_hz if which == "rx" else rig.tx_dial_hz):
                raise Unready(f"the change to {mode} moved the {which} dial off {hz} Hz")


async def check_drive(entry: BandEntry, driver: RigDriver, call: Call) -> None:
    """Is the drive still below the ceiling? Unready if not, or if the radio cannot tell."""
    if entry.drive_ceiling is None:
        return
    drive = (await call(driver.details())).power_fraction
    if drive is None:
        raise Unready("the radio does not tell its power, so its drive cannot be held down")
    if drive > entry.drive_ceiling + DRIVE_ROUNDING:
        raise Unready(
            f"drive is {100 * drive:.1f} %, above the ceiling of {100 * entry.drive_ceiling:.1f} %"
        )


async def lower_drive(entry: BandEntry, driver: RigDriver, call: Call) -> None:
    """Bring the drive below the ceiling and read it back."""
    try:
        await check_drive(entry, driver, call)
    except Unready as above:
        if not driver.capabilities.sets_power:
            raise Unready(f"{above}; turn it down by hand") from None
        if (await call(driver.read())).transmitting is not False:
            raise Unready(f"{above}; it is not set while the radio transmits") from None
        await call(driver.set_power(entry.drive_ceiling or 0.0))
        await check_drive(entry, driver, call)


class BandWatch:
    """entered: is the radio as its band wants it, if perhaps for a mode that waits for the end of
    somebody's over? due_s: when to see to it next, in monotonic seconds."""

    def __init__(self) -> None:
        self.entry: BandEntry | None = None
        self.due_s = float("inf")
        self.entered = False
        self._mode_is_set = False
        self._told = False  # free-form commands have been sent
        self._reason = ""

    def enter(self, entry: BandEntry | None, *, changing: bool) -> None:
        """Another band, or the same radio again; None: leave it alone."""
        self.entry, self.entered, self._mode_is_set = entry, False, False
        self._told = False
        self.due_s = float("inf") if entry is None else 0.0
        self._reason = f"changing to {entry.name}" if entry is not None and changing else ""

    def inhibit(self, rig: RigState | None) -> str:
        """Why the radio must not transmit, empty if it may."""
        outside = ""
        if self.entry is not None and self.entered and rig is not None:
            outside = self.entry.outside(rig)
        return outside or self._reason

    async def attend(
        self,
        driver: RigDriver,
        call: Call,
        now_s: Callable[[], float],
        receiving: Callable[[], Awaitable[bool]],
        move_dials: Callable[[], Awaitable[dict[DialName, int]]],
    ) -> None:
        """Enter the band, or see that the drive is still as it wants; whatever is wrong is tried
        again. receiving: look at the radio, which unkeys it while inhibited. move_dials: to where
        they belong, and where they then stand; raises Unready."""
        entry, mode_is_set = self.entry, self._mode_is_set
        if entry is None:
            return
        try:
            if self.entered:
                await check_drive(entry, driver, call)
            else:
                if self._reason and not await receiving():
                    raise Unready("the radio transmits and will not stop")
                await lower_drive(entry, driver, call)
            if not mode_is_set and await receiving():
                if entry.commands and not self._told:
                    await call(driver.send_commands(entry.commands))
                    self._told = self.entry is entry
                dials_hz = entry.settable(await move_dials())
                if entry.mode is not None:
                    await set_mode(entry.mode, entry.passband_hz, driver, call, dials_hz)
                await receiving()
                mode_is_set = True
            reason = ""
        except (RigRefused, RigUnfit) as error:
            reason = f"{entry.name}: {error}"
        if self.entry is not entry:
            return  # another band was chosen meanwhile
        self._reason, self.entered = reason, not reason
        self._mode_is_set = mode_is_set and not reason
        watched = entry.drive_ceiling is not None
        again_s = DRIVE_EVERY_S if watched else float("inf")
        self.due_s = now_s() + (again_s if self._mode_is_set else AGAIN_S)
