"""What each command of a client comes to: an answer at once, or something to be done first. Pure.

Owns the meaning of the protocol here. Both dials of the pretended radio show the sked frequency
(cross-band: each its own), and only the first one moves it: a transmit frequency of the client's
own would be a correction on top of ours, so split is accepted only where both agree."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from moontrim.share.actions import (
    Action,
    Key,
    Own,
    ReadDetails,
    Reply,
    SetMode,
    SetPower,
    Tune,
    Unkey,
)
from moontrim.share.commandtable import SERVED
from moontrim.share.dumpstate import dump_state
from moontrim.share.protocol import (
    INVALID,
    NOT_AVAILABLE,
    REJECTED,
    ClientLine,
    hertz,
    is_mode,
    number,
    passband,
    second_vfo,
)
from moontrim.share.view import ShareView
from moontrim_drivers.contract import RigDetails

_INVALID = Reply(INVALID)
_REJECTED = Reply(REJECTED)
_NOT_AVAILABLE = Reply(NOT_AVAILABLE)


def consider(asked: ClientLine, view: ShareView, own: Own) -> Action:
    """What a command comes to. Decides by its arguments only; nothing has happened yet."""
    if asked.command.name not in SERVED:
        return _NOT_AVAILABLE
    if not asked.complete or (asked.vfo and second_vfo(asked.vfo, own.second) is None):
        return _INVALID
    return _MEANING[asked.command.name](asked, view, own)


def conclude(asked: ClientLine, view: ShareView, own: Own, details: RigDetails) -> Reply:
    """The answer to a command that came to ReadDetails."""
    if asked.command.name == "get_level":
        power = details.power_fraction
        return _NOT_AVAILABLE if power is None else Reply(values=(f"{power:.6f}",))
    if details.mode is None:
        return _NOT_AVAILABLE
    mode = (details.mode, str(details.passband_hz or 0))
    match asked.command.name:
        case "set_split_mode" | "set_split_freq_mode":
            # One mode serves both ways; the width of a transmitter's filter is not ours to set.
            return Reply() if asked.arguments[-2] == details.mode else _REJECTED
        case "get_split_freq_mode":
            return Reply(values=(str(view.tx_sked_hz), *mode))
        case "get_vfo_info":
            hz = _shown_hz(bool(second_vfo(asked.arguments[0], own.second)), view, own)
            return Reply(values=(str(hz), *mode, str(int(own.split)), "0"))
    return Reply(values=mode)


# --- frequency, VFO, split ------------------------------------------------------------------------


def _asked_for_second(asked: ClientLine, own: Own) -> bool:
    return bool(second_vfo(asked.vfo, own.second)) if asked.vfo else own.second


def _shown_hz(second: bool, view: ShareView, own: Own) -> int:
    return view.tx_sked_hz if second and own.split else view.sked_hz


def _get_freq(asked: ClientLine, view: ShareView, own: Own) -> Action:
    return Reply(values=(str(_shown_hz(_asked_for_second(asked, own), view, own)),))


def _set_freq(asked: ClientLine, view: ShareView, own: Own) -> Action:
    if own.split and _asked_for_second(asked, own):
        return _set_split_freq(asked, view, own)
    hz = hertz(asked.arguments[0])
    if hz is None:
        return _INVALID
    return Reply() if hz == view.sked_hz and view.settled else Tune(hz)


def _get_split_freq(asked: ClientLine, view: ShareView, own: Own) -> Action:
    return Reply(values=(str(view.tx_sked_hz),))


def _set_split_freq(asked: ClientLine, view: ShareView, own: Own) -> Action:
    hz = hertz(asked.arguments[0])
    if hz is None:
        return _INVALID
    return Reply() if hz == view.tx_sked_hz else _REJECTED


def _get_split_vfo(asked: ClientLine, view: ShareView, own: Own) -> Action:
    return Reply(values=(str(int(own.split)), "VFOB" if own.split else "VFOA"))


def _set_split_vfo(asked: ClientLine, view: ShareView, own: Own) -> Action:
    on, transmit = asked.arguments
    if on == "0":
        return Reply(own=replace(own, split=False))
    second = second_vfo(transmit, True)
    if on != "1" or second is None:
        return _INVALID
    if not second:  # the first one receives
        return _REJECTED
    return Reply(own=replace(own, split=True))


def _get_vfo(asked: ClientLine, view: ShareView, own: Own) -> Action:
    return Reply(values=("VFOB" if own.second else "VFOA",))


def _set_vfo(asked: ClientLine, view: ShareView, own: Own) -> Action:
    second = second_vfo(asked.arguments[0], own.second)
    return _INVALID if second is None else Reply(own=replace(own, second=second))


def _get_vfo_list(asked: ClientLine, view: ShareView, own: Own) -> Action:
    return Reply(values=("VFOA VFOB",))


def _get_vfo_info(asked: ClientLine, view: ShareView, own: Own) -> Action:
    known = second_vfo(asked.arguments[0], own.second) is not None
    return _details(asked, view, own) if known else _INVALID


# --- mode, power, transmit ------------------------------------------------------------------------


def _details(asked: ClientLine, view: ShareView, own: Own) -> Action:
    return ReadDetails() if view.can.reads_details else _NOT_AVAILABLE


def _set_mode(asked: ClientLine, view: ShareView, own: Own) -> Action:
    mode, passband_hz = asked.arguments[0], passband(asked.arguments[1])
    if not is_mode(mode) or passband_hz is None:
        return _INVALID
    if not view.can.sets_mode:
        return _NOT_AVAILABLE
    if view.transmitting:
        return _REJECTED
    return SetMode(mode, None if passband_hz < 0 else passband_hz)


def _set_split_mode(asked: ClientLine, view: ShareView, own: Own) -> Action:
    if not is_mode(asked.arguments[-2]) or passband(asked.arguments[-1]) is None:
        return _INVALID
    return _details(asked, view, own)


def _set_split_freq_mode(asked: ClientLine, view: ShareView, own: Own) -> Action:
    frequency = _set_split_freq(asked, view, own)
    return _set_split_mode(asked, view, own) if frequency == Reply() else frequency


def _get_level(asked: ClientLine, view: ShareView, own: Own) -> Action:
    return _details(asked, view, own) if asked.arguments[0] == "RFPOWER" else _NOT_AVAILABLE


def _set_level(asked: ClientLine, view: ShareView, own: Own) -> Action:
    if asked.arguments[0] != "RFPOWER":
        return _NOT_AVAILABLE
    fraction = number(asked.arguments[1])
    if fraction is None or not 0.0 <= fraction <= 1.0:
        return _INVALID
    if not view.can.sets_power:
        return _NOT_AVAILABLE
    # Not known to be receiving is not good enough: power changes under RF can be a burst.
    above = view.drive_ceiling is not None and fraction > view.drive_ceiling
    return _REJECTED if above or view.transmitting is not False else SetPower(fraction)


def _get_ptt(asked: ClientLine, view: ShareView, own: Own) -> Action:
    if view.transmitting is None:
        return _NOT_AVAILABLE
    return Reply(values=(str(int(view.transmitting)),))


def _set_ptt(asked: ClientLine, view: ShareView, own: Own) -> Action:
    wanted = asked.arguments[0]
    if wanted not in ("0", "1", "2", "3"):  # above 1: where the audio comes from
        return _INVALID
    if not view.can.keys:
        return _NOT_AVAILABLE
    return Unkey() if wanted == "0" else Key()


# --- about the radio and the connection -----------------------------------------------------------


def _get_info(asked: ClientLine, view: ShareView, own: Own) -> Action:
    return Reply(values=(view.headline,))


def _get_powerstat(asked: ClientLine, view: ShareView, own: Own) -> Action:
    return Reply(values=("1",)) if view.radio_answers else _NOT_AVAILABLE


def _get_lock_mode(asked: ClientLine, view: ShareView, own: Own) -> Action:
    return Reply(values=("0",))


def _chk_vfo(asked: ClientLine, view: ShareView, own: Own) -> Action:
    return Reply(values=(str(int(own.names_vfo)),), own=replace(own, with_keys=True))


def _set_vfo_opt(asked: ClientLine, view: ShareView, own: Own) -> Action:
    if asked.arguments[0] not in ("0", "1"):
        return _INVALID
    return Reply(own=replace(own, names_vfo=asked.arguments[0] == "1"))


def _dump_state(asked: ClientLine, view: ShareView, own: Own) -> Action:
    return Reply(values=(dump_state(view, with_keys=own.with_keys),))


def _quit(asked: ClientLine, view: ShareView, own: Own) -> Action:
    return Reply(last=True)


_MEANING: dict[str, Callable[[ClientLine, ShareView, Own], Action]] = {
    "set_freq": _set_freq,
    "get_freq": _get_freq,
    "set_split_freq": _set_split_freq,
    "get_split_freq": _get_split_freq,
    "set_split_vfo": _set_split_vfo,
    "get_split_vfo": _get_split_vfo,
    "set_mode": _set_mode,
    "get_mode": _details,
    "set_split_mode": _set_split_mode,
    "get_split_mode": _details,
    "set_split_freq_mode": _set_split_freq_mode,
    "get_split_freq_mode": _details,
    "set_vfo": _set_vfo,
    "get_vfo": _get_vfo,
    "set_ptt": _set_ptt,
    "get_ptt": _get_ptt,
    "set_level": _set_level,
    "get_level": _get_level,
    "get_info": _get_info,
    "get_powerstat": _get_powerstat,
    "get_lock_mode": _get_lock_mode,
    "get_vfo_list": _get_vfo_list,
    "get_vfo_info": _get_vfo_info,
    "chk_vfo": _chk_vfo,
    "set_vfo_opt": _set_vfo_opt,
    "dump_state": _dump_state,
    "quit": _quit,
    "exit": _quit,
}
