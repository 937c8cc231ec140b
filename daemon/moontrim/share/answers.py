"""Decides what each command of a client leads to: an answer at once, or an action first. Pure.

The radio that clients see has two VFOs. Both show the sked frequency (in split-segment working each
that of its segment), and only the first one moves it: a transmit frequency chosen by the client
would be a second correction on top of moontrim's, so split is accepted only where both frequencies
agree.

Each `_name` function below decides one command, from its arguments, the view of the daemon and the
state of the connection."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from moontrim.share.actions import (
    Action,
    ClientState,
    Key,
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
    ClientCommand,
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


def decide(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    """Returns the action that a command leads to. Nothing is carried out by this."""
    if command.shape.name not in SERVED:
        return _NOT_AVAILABLE
    if not command.complete or (command.vfo and second_vfo(command.vfo, state.second) is None):
        return _INVALID
    return _HANDLERS[command.shape.name](command, view, state)


def reply_with_details(
    command: ClientCommand, view: ShareView, state: ClientState, details: RigDetails
) -> Reply:
    """Returns the answer to a command that led to ReadDetails, from what the radio returned."""
    if command.shape.name == "get_level":
        power = details.power_fraction
        return _NOT_AVAILABLE if power is None else Reply(values=(f"{power:.6f}",))
    if details.mode is None:
        return _NOT_AVAILABLE
    mode = (details.mode, str(details.passband_hz or 0))
    match command.shape.name:
        case "set_split_mode" | "set_split_freq_mode":
            # One mode serves both ways. The width of the transmit filter is not checked: the share
            # does not set it.
            return Reply() if command.arguments[-2] == details.mode else _REJECTED
        case "get_split_freq_mode":
            return Reply(values=(str(view.tx_sked_hz), *mode))
        case "get_vfo_info":
            hz = _shown_hz(bool(second_vfo(command.arguments[0], state.second)), view, state)
            return Reply(values=(str(hz), *mode, str(int(state.split)), "0"))
    return Reply(values=mode)


# --- frequency, VFO, split ------------------------------------------------------------------------


def _means_second(command: ClientCommand, state: ClientState) -> bool:
    return bool(second_vfo(command.vfo, state.second)) if command.vfo else state.second


def _shown_hz(second: bool, view: ShareView, state: ClientState) -> int:
    return view.tx_sked_hz if second and state.split else view.sked_hz


def _get_freq(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    return Reply(values=(str(_shown_hz(_means_second(command, state), view, state)),))


def _set_freq(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    if state.split and _means_second(command, state):
        return _set_split_freq(command, view, state)
    hz = hertz(command.arguments[0])
    if hz is None:
        return _INVALID
    return Reply() if hz == view.sked_hz and view.settled else Tune(hz)


def _get_split_freq(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    return Reply(values=(str(view.tx_sked_hz),))


def _set_split_freq(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    hz = hertz(command.arguments[0])
    if hz is None:
        return _INVALID
    return Reply() if hz == view.tx_sked_hz else _REJECTED


def _get_split_vfo(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    return Reply(values=(str(int(state.split)), "VFOB" if state.split else "VFOA"))


def _set_split_vfo(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    on, transmit = command.arguments
    if on == "0":
        return Reply(state=replace(state, split=False))
    second = second_vfo(transmit, True)
    if on != "1" or second is None:
        return _INVALID
    if not second:  # the first one receives
        return _REJECTED
    return Reply(state=replace(state, split=True))


def _get_vfo(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    return Reply(values=("VFOB" if state.second else "VFOA",))


def _set_vfo(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    second = second_vfo(command.arguments[0], state.second)
    return _INVALID if second is None else Reply(state=replace(state, second=second))


def _get_vfo_list(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    return Reply(values=("VFOA VFOB",))


def _get_vfo_info(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    known = second_vfo(command.arguments[0], state.second) is not None
    return _details(command, view, state) if known else _INVALID


# --- mode, power, transmit ------------------------------------------------------------------------


def _details(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    return ReadDetails() if view.can.reads_details else _NOT_AVAILABLE


def _set_mode(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    mode, passband_hz = command.arguments[0], passband(command.arguments[1])
    if not is_mode(mode) or passband_hz is None:
        return _INVALID
    if not view.can.sets_mode:
        return _NOT_AVAILABLE
    if view.transmitting:
        return _REJECTED
    return SetMode(mode, None if passband_hz < 0 else passband_hz)


def _set_split_mode(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    if not is_mode(command.arguments[-2]) or passband(command.arguments[-1]) is None:
        return _INVALID
    return _details(command, view, state)


def _set_split_freq_mode(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    frequency = _set_split_freq(command, view, state)
    return _set_split_mode(command, view, state) if frequency == Reply() else frequency


def _get_level(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    return _details(command, view, state) if command.arguments[0] == "RFPOWER" else _NOT_AVAILABLE


def _set_level(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    if command.arguments[0] != "RFPOWER":
        return _NOT_AVAILABLE
    fraction = number(command.arguments[1])
    if fraction is None or not 0.0 <= fraction <= 1.0:
        return _INVALID
    if not view.can.sets_power:
        return _NOT_AVAILABLE
    # Only while known to receive: changing power under RF can make a burst.

    above = view.drive_ceiling is not None and fraction > view.drive_ceiling
    return _REJECTED if above or view.transmitting is not False else SetPower(fraction)


def _get_ptt(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    if view.transmitting is None:
        return _NOT_AVAILABLE
    return Reply(values=(str(int(view.transmitting)),))


def _set_ptt(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    wanted = command.arguments[0]
    if wanted not in ("0", "1", "2", "3"):  # above 1: where the audio comes from
        return _INVALID
    if not view.can.keys:
        return _NOT_AVAILABLE
    return Unkey() if wanted == "0" else Key()


# --- about the radio and the connection -----------------------------------------------------------


def _get_info(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    return Reply(values=(view.headline,))


def _get_powerstat(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    return Reply(values=("1",)) if view.radio_answers else _NOT_AVAILABLE


def _get_lock_mode(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    return Reply(values=("0",))


def _chk_vfo(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    return Reply(values=(str(int(state.names_vfo)),), state=replace(state, with_keys=True))


def _set_vfo_opt(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    if command.arguments[0] not in ("0", "1"):
        return _INVALID
    return Reply(state=replace(state, names_vfo=command.arguments[0] == "1"))


def _dump_state(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    return Reply(values=(dump_state(view, with_keys=state.with_keys),))


def _quit(command: ClientCommand, view: ShareView, state: ClientState) -> Action:
    return Reply(last=True)


_HANDLERS: dict[str, Callable[[ClientCommand, ShareView, ClientState], Action]] = {
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
