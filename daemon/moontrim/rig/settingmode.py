"""Sets the mode of a radio, and puts its dials back where that has moved them."""

from __future__ import annotations

from moontrim.formats import grouped
from moontrim.rig.deadline import DeadlineDriver
from moontrim.rig.pendingsteps import dials_hz
from moontrim.tuning.steps import DialName
from moontrim_drivers.contract import RigRefused


class Unready(RigRefused):
    """The radio is not as the band wants it."""


async def set_mode(
    mode: str, passband_hz: int, driver: DeadlineDriver, standing: dict[DialName, int]
) -> None:
    """Sets mode and filter; then the dials again where the change of mode has moved them off
    `standing` (Hz). Raises Unready if either reads back as something else."""
    await driver.set_mode(mode, passband_hz)
    details = await driver.details()
    if details.mode is not None and details.mode != mode:
        raise Unready(f"mode set to {mode}, reads back {details.mode}")
    shown = dials_hz(await driver.read())
    moved = {which: hz for which, hz in standing.items() if hz != shown[which]}
    if moved:
        shown = dials_hz(await driver.set_dials(moved.get("rx"), moved.get("tx")))
        for which, hz in moved.items():
            if hz != shown[which]:
                raise Unready(f"the change to {mode} moved the {which} dial off {grouped(hz)} Hz")
