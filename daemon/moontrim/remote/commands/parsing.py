"""Parses a phone's command: from its name and payload to a command of the session, and from what
the tracker returned to the result. Pure.

Each `_name` function below parses one command. `by` is the account that sent it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from moontrim.config.settings import Settings
from moontrim.config.sked import Sked
from moontrim.errors import BusyError, InputError, NotNowError
from moontrim.formats import grouped
from moontrim.remote.commands.payload import Body, Fields, Refusal
from moontrim.remote.published.messages import hz
from moontrim.session.commands import (
    AllowTransmit,
    Command,
    Correct,
    NudgeSked,
    ReadBack,
    SetAgreement,
    SetBand,
    SetPartner,
    SetSked,
    SetTrim,
)
from moontrim.session.session import LARGE_TRIM_HZ, TRIM_LIMIT_HZ, Session
from moontrim.session.skeds import ChooseSked, RemoveSked, SaveSked, Undo
from moontrim.tuning.correction import AGREEMENTS

FREQUENCY_LIMIT_HZ = 1e12  # chosen: above every amateur band (the highest ends at 250 GHz)
# Names of the tracker's fields that clients call differently.
_FIELDS = {"sked_hz": "hz", "rx_trim_hz": "rx_hz", "tx_trim_hz": "tx_hz"}
_NUMBERS = {*_FIELDS, "tx_sked_hz"}
# What may differ after a change of band.
OF_BAND = ("band", "sked_hz", "rx_trim_hz", "tx_trim_hz", "front_end", "tx_allowed")
RETUNED = (*OF_BAND, "sked", "tx_sked_hz", "partner", "agreement")


@dataclass(frozen=True, slots=True)
class PhoneRequest:
    """A command to carry out.

    answers: the fields of the session that make up the result. needs_confirming: why it takes a
    second step; empty if it takes none. confirm: the token of the second step, if it has one."""

    command: Command
    answers: tuple[str, ...]
    needs_confirming: str = ""
    confirm: str | None = None


def read_command(name: str, body: Body, by: str) -> PhoneRequest:
    """Returns the command of a payload. Raises Refusal unknown_command, bad_value or out_of_range.
    Whether the station allows it, the tracker decides."""
    reader = _READERS.get(name)
    if reader is None:
        raise Refusal("unknown_command", "unknown command", "command", name, ", ".join(COMMANDS))
    fields = Fields(name, body)
    request = reader(fields, by)
    fields.no_more()
    return request


def for_front_end(request: PhoneRequest, session: Session, settings: Settings) -> PhoneRequest:
    """Returns a request with the front end that transmit is allowed for, so that neither step
    counts for another; the question names it where there are several. Other requests stay as they
    are."""
    command = request.command
    if not isinstance(command, AllowTransmit) or not command.on:
        return request
    front_end = session.present_front_end(settings)
    question = request.needs_confirming
    if settings.only_front_end is None:
        question += f" with front end {front_end} connected"
    command = replace(command, front_end=front_end)
    return replace(request, command=command, needs_confirming=question)


def _band(fields: Fields, by: str) -> PhoneRequest:
    name = fields.text("band", "the name of a configured band")
    return PhoneRequest(SetBand(by, name), OF_BAND)


def _frequency(fields: Fields, by: str) -> PhoneRequest:
    return PhoneRequest(
        SetSked(by, fields.number("hz", FREQUENCY_LIMIT_HZ, alone=True)), ("sked_hz",)
    )


def _sked(fields: Fields, by: str) -> PhoneRequest:
    return PhoneRequest(ChooseSked(by, fields.text("sked", "the name of a sked")), RETUNED)


def _undo(fields: Fields, by: str) -> PhoneRequest:
    return PhoneRequest(Undo(by), RETUNED)


def _save_sked(fields: Fields, by: str) -> PhoneRequest:
    return PhoneRequest(SaveSked(by, fields.table(Sked)), ())


def _remove_sked(fields: Fields, by: str) -> PhoneRequest:
    name = fields.text("sked", "the name of a sked that is not in the config")
    return PhoneRequest(RemoveSked(by, name), ())


def _nudge(fields: Fields, by: str) -> PhoneRequest:
    by_hz = fields.number("by_hz", FREQUENCY_LIMIT_HZ, alone=True)
    return PhoneRequest(NudgeSked(by, by_hz), ("sked_hz",))


def _agreement(fields: Fields, by: str) -> PhoneRequest:
    return PhoneRequest(
        SetAgreement(by, fields.text("agreement", ", ".join(AGREEMENTS))), ("agreement",)
    )


def _partner(fields: Fields, by: str) -> PhoneRequest:
    expected = "self, the name of a partner, a locator, or lat,lon,height_m"
    return PhoneRequest(SetPartner(by, fields.text("partner", expected)), ("partner",))


def _trim(fields: Fields, by: str) -> PhoneRequest:
    rx_hz = fields.number("rx_hz", TRIM_LIMIT_HZ, alone=False, optional=True)
    tx_hz = fields.number("tx_hz", TRIM_LIMIT_HZ, alone=False, optional=True)
    confirm = fields.token("confirm")
    fields.no_more()
    if rx_hz is None and tx_hz is None:
        raise Refusal("bad_value", "rx_hz or tx_hz: missing", "rx_hz", None, "rx_hz, tx_hz or both")
    trims_hz = {"rx_trim_hz": rx_hz, "tx_trim_hz": tx_hz}
    answers = tuple(name for name, trim_hz in trims_hz.items() if trim_hz is not None)
    large = any(abs(hz) > LARGE_TRIM_HZ for hz in (rx_hz, tx_hz) if hz is not None)
    problem = f"trim above {grouped(LARGE_TRIM_HZ)} Hz" if large else ""
    return PhoneRequest(SetTrim(by, rx_hz, tx_hz), answers, problem, confirm)


def _correction(fields: Fields, by: str) -> PhoneRequest:
    return PhoneRequest(Correct(by, fields.switch("on")), ("correcting",))


def _transmit(fields: Fields, by: str) -> PhoneRequest:
    on = fields.switch("allowed")
    confirm = fields.token("confirm")
    problem = "allow transmit" if on else ""
    return PhoneRequest(AllowTransmit(by, on), ("tx_allowed",), problem, confirm)


def _readback(fields: Fields, by: str) -> PhoneRequest:
    return PhoneRequest(ReadBack(by), ())


_READERS: dict[str, Callable[[Fields, str], PhoneRequest]] = {
    "band": _band,
    "frequency": _frequency,
    "nudge": _nudge,
    "agreement": _agreement,
    "partner": _partner,
    "trim": _trim,
    "correction": _correction,
    "transmit": _transmit,
    "readback": _readback,
    "sked": _sked,
    "undo": _undo,
    "save_sked": _save_sked,
    "remove_sked": _remove_sked,
}
COMMANDS = tuple(_READERS)


def refused_by_tracker(
    error: InputError | BusyError | NotNowError, request: PhoneRequest
) -> Refusal:
    """Returns the tracker's error with the field names that clients use."""
    if isinstance(error, BusyError):
        return Refusal("busy", str(error))
    if isinstance(error, NotNowError):
        return Refusal("not_now", str(error))
    of_sked = isinstance(request.command, ChooseSked | SaveSked)
    field = error.field if of_sked else _FIELDS.get(error.field, error.field)
    number = isinstance(error.value, int | float)
    code = "out_of_range" if number and error.field in _NUMBERS else "bad_value"
    return Refusal(code, f"{field}: {error.problem}", field, error.value, error.expected)


def refused_in_clear_text() -> Refusal:
    """Returns the refusal of a command that came over a network without TLS."""
    return Refusal(
        "not_allowed",
        "commands are rejected over a network without TLS",
        expected="remote.tls = true, or the built-in broker",
    )


def changed_values(
    session: Session, settings: Settings, answers: tuple[str, ...]
) -> dict[str, Any]:
    """Returns the values after a command of the fields that it changes."""
    choices = session.band_choices(settings)
    return {name: _value(name, session, choices.model_dump(), settings) for name in answers}


def _value(name: str, session: Session, choices: dict[str, float], settings: Settings) -> Any:
    if name == "partner":
        return session.partner_text(settings)
    if name == "front_end":
        return session.present_front_end(settings)
    if name == "tx_sked_hz":
        return hz(session.tx_sked_hz(settings))
    if name in choices:
        return hz(choices[name])
    return getattr(session, name)
