"""What the front panel of a radio can do to its frequency besides turning the dials: mode, RIT, XIT
and repeater shift. Pure: judges what the radio reports of them.

Split is not among them: a driver whose radio has left it reports a garbled radio, and opening that
anew sets it again."""

from __future__ import annotations

from moontrim.formats import signed_short
from moontrim_drivers.contract import RigDetails

ACCEPT_MODE = "pause and resume the correction to accept it"  # the remedy of the operator alone


def same_sideband(mode: str, other: str) -> bool:
    """Returns whether a dial means the same frequency on the air in both modes. A data mode is the
    voice mode of its sideband."""
    return mode.removeprefix("PKT") == other.removeprefix("PKT")


def offsets_on(details: RigDetails) -> bool:
    """Returns whether RIT, XIT or repeater shift is known to be on."""
    return bool(details.rit_hz or details.xit_hz or details.repeater_shift)


def mismatch(details: RigDetails, mode: str | None) -> str:
    """Returns why the radio is not on the frequency that its dials show, with the remedy; empty if
    it is, as far as the radio can tell. mode: the one that it is to be in; None: any."""
    for name, offset_hz in (("RIT", details.rit_hz), ("XIT", details.xit_hz)):
        if offset_hz:
            return f"{name} is on, {signed_short(offset_hz)} Hz; switch it off"
    if details.repeater_shift:
        return "repeater shift is on; switch it off"
    if mode is not None and details.mode is not None and not same_sideband(details.mode, mode):
        return f"mode is {details.mode} instead of {mode}; set it back, or {ACCEPT_MODE}"
    return ""


def not_watched(details: RigDetails) -> tuple[str, ...]:
    """Returns the names of what this radio does not report, so that nothing notices a change."""
    reported = {
        "mode": details.mode,
        "RIT": details.rit_hz,
        "XIT": details.xit_hz,
        "repeater shift": details.repeater_shift,
    }
    return tuple(name for name, value in reported.items() if value is None)
