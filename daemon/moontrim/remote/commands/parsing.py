"""From the body of a command to a `session.Command`, or a reason why not. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from moontrim.config.settings import Settings
from moontrim.errors import BusyError, InputError
from moontrim.remote.commands.payload import Body, Fields, Refusal
from moontrim.remote.published.messages import hz
from moontrim.session.commands import (
    Command,
    Correct,
    NudgeSked,
    PermitTransmit,
    ReadBack,
    SetAgreement,
    SetBand,
    SetPartner,
    SetSked,
    SetTrim,
)
from moontrim.session.session import TRIM_LIMIT_HZ, Session
from moontrim.tuning.correction import AGREEMENTS

FREQUENCY_LIMIT_HZ = 1e12
# How the tracker names what a client calls otherwise.
_FIELDS = {"sked_hz": "hz", "trim_rx_hz": "rx_hz", "trim_tx_hz": "tx_hz"}


@dataclass(frozen=True, slots=True)
class PhoneRequest:
    """A command to carry out; which parts of the session answer it; and, for what takes a second
    step, the token given with it."""

    command: Command
    answers: tuple[str, ...]
    needs_confirming: bool = False
    confirm: str | None = None


def read_command(name: str, body: Body, by: str) -> PhoneRequest:
    """What a body asks for. by: who asks. Raises Refusal unknown_command, bad_value or
    out_of_range; whether the station allows it is the tracker's to say."""
    reader = _READERS.get(name)
    if reader is None:
        raise Refusal(
            "unknown_command", "there is no such command", "command", name, ", ".join(COMMANDS)
        )
    taken = Fields(name, body)
    asked = reader(taken, by)
    taken.no_more()
    return asked


def _band(given: Fields, by: str) -> PhoneRequest:
    name = given.text("band", "the name of a configured band")
    return PhoneRequest(SetBand(by, name), ("band", "sked_hz", "trim_rx_hz", "trim_tx_hz"))


def _sked(given: Fields, by: str) -> PhoneRequest:
    return PhoneRequest(
        SetSked(by, given.number("hz", FREQUENCY_LIMIT_HZ, alone=True)), ("sked_hz",)
    )


def _nudge(given: Fields, by: str) -> PhoneRequest:
    by_hz = given.number("by_hz", FREQUENCY_LIMIT_HZ, alone=True)
    return PhoneRequest(NudgeSked(by, by_hz), ("sked_hz",))


def _agreement(given: Fields, by: str) -> PhoneRequest:
    return PhoneRequest(
        SetAgreement(by, given.text("agreement", ", ".join(AGREEMENTS))), ("agreement",)
    )


def _partner(given: Fields, by: str) -> PhoneRequest:
    allowed = "self, a locator, or lat,lon,height_m"
    return PhoneRequest(SetPartner(by, given.text("partner", allowed)), ("partner",))


def _trim(given: Fields, by: str) -> PhoneRequest:
    rx_hz = given.number("rx_hz", TRIM_LIMIT_HZ, alone=False, optional=True)
    tx_hz = given.number("tx_hz", TRIM_LIMIT_HZ, alone=False, optional=True)
    given.no_more()
    if rx_hz is None and tx_hz is None:
        raise Refusal("bad_value", "rx_hz is missing", "rx_hz", None, "rx_hz, tx_hz or both")
    given_hz = {"trim_rx_hz": rx_hz, "trim_tx_hz": tx_hz}
    answers = tuple(name for name, trim_hz in given_hz.items() if trim_hz is not None)
    return PhoneRequest(SetTrim(by, rx_hz, tx_hz), answers)


def _correct(given: Fields, by: str) -> PhoneRequest:
    return PhoneRequest(Correct(by, given.switch("on")), ("correcting",))


def _transmit(given: Fields, by: str) -> PhoneRequest:
    on = given.switch("permitted")
    confirm = given.token("confirm")
    return PhoneRequest(PermitTransmit(by, on), ("transmit_permitted",), on, confirm)


def _readback(given: Fields, by: str) -> PhoneRequest:
    return PhoneRequest(ReadBack(by), ())


_READERS: dict[str, Callable[[Fields, str], PhoneRequest]] = {
    "band": _band,
    "sked": _sked,
    "nudge": _nudge,
    "agreement": _agreement,
    "partner": _partner,
    "trim": _trim,
    "correct": _correct,
    "transmit": _transmit,
    "readback": _readback,
}
COMMANDS = tuple(_READERS)


def refused_by_tracker(error: InputError | BusyError) -> Refusal:
    """The tracker's reason in the words of the client."""
    if isinstance(error, BusyError):
        return Refusal("busy", str(error))
    field = _FIELDS.get(error.field, error.field)
    number = isinstance(error.value, int | float)
    code = "out_of_range" if number and field in _FIELDS.values() else "bad_value"
    return Refusal(code, str(error), field, error.value, error.allowed)


def changed_values(
    session: Session, settings: Settings, answers: tuple[str, ...]
) -> dict[str, Any]:
    """The new values of what a command changes."""
    here = session.here(settings)
    return {name: _value(name, session, here.model_dump(), settings) for name in answers}


def _value(name: str, session: Session, here: dict[str, float], settings: Settings) -> Any:
    if name == "partner":
        return session.partner_text(settings)
    if name in here:
        return hz(here[name])
    return getattr(session, name)
