"""The commands of the agenda, from the fields that `moontrim agenda` sends. Pure."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from moontrim.remote.commands.parsing import PhoneRequest
from moontrim.remote.commands.payload import Refusal
from moontrim.session.agenda import AgendaEntry
from moontrim.session.agendacommands import AddToAgenda, RemoveFromAgenda

ADD, REMOVE = "add_to_agenda", "remove_from_agenda"


class _Adding(BaseModel):
    model_config = ConfigDict(extra="forbid")

    entries: tuple[AgendaEntry, ...]


class _Removing(BaseModel):
    model_config = ConfigDict(extra="forbid")

    ids: tuple[str, ...]


def read_agenda_command(name: str, fields: dict[str, Any], by: str) -> PhoneRequest | None:
    """Returns the command of these fields; None for a name of another one. Raises Refusal
    bad_value."""
    try:
        if name == ADD:
            return PhoneRequest(AddToAgenda(by, _Adding.model_validate(fields).entries), ())
        if name == REMOVE:
            return PhoneRequest(RemoveFromAgenda(by, _Removing.model_validate(fields).ids), ())
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(map(str, first["loc"]))
        raise Refusal("bad_value", f"{name}: {field}: {first['msg']}", field) from None
    return None
