"""The payloads of commands, taken apart and checked field by field, and those of replies. Pure.

A payload is a JSON object or, for commands that take one value, that value alone, as JSON or as
bare text (`10 GHz`, `on`). Numbers are finite; strings are short and printable; unknown fields are
refused, because a misspelt field would otherwise be ignored."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from typing import Any, NoReturn, TypeVar

from pydantic import ValidationError

from moontrim.config.mistakes import mistakes
from moontrim.config.table import Table

T = TypeVar("T", bound=Table)
LARGEST_BYTES = 4096  # chosen: many times what any command needs
LONGEST_TEXT = 64  # chosen: a band name or a place fits
ENVELOPE = ("id", "reply_to")  # for clients whose protocol has no response topic
_NUMBER = re.compile(r"[+-]?\d{1,15}(\.\d{1,15})?([eE][+-]?\d{1,2})?")
_SWITCH = {"on": True, "true": True, "off": False, "false": False}
_MISSING = object()


class Refusal(Exception):
    """Raised with the reason why a command is not carried out.

    code: for programs. message: for a person. field, value: what is refused, if it is one field.
    expected: what would be accepted. confirm_token: for the second step of a command that takes
    two."""

    def __init__(
        self,
        code: str,
        message: str,
        field: str | None = None,
        value: object = None,
        expected: str | None = None,
        *,
        confirm_token: str | None = None,
    ) -> None:
        super().__init__(message)
        self.code, self.message, self.field, self.expected = code, message, field, expected
        self.confirm_token = confirm_token
        self.value = _shown(value)


@dataclass(frozen=True, slots=True)
class Body:
    """A payload taken apart. fields: None where the payload is one value alone, which is `text`."""

    fields: dict[str, Any] | None
    text: str
    id: str | int | None = None
    reply_to: str | None = None


def read_body(payload: bytes) -> Body:
    """Takes a payload apart. Raises Refusal too_large, bad_json, bad_value or bad_reply_topic."""
    if len(payload) > LARGEST_BYTES:
        raise Refusal(
            "too_large",
            f"payload too large: {len(payload)} bytes",
            value=len(payload),
            expected=f"up to {LARGEST_BYTES} bytes",
        )
    try:
        text = payload.decode().strip()
    except UnicodeDecodeError:
        raise Refusal("bad_json", "payload is not UTF-8", expected="UTF-8 text") from None
    if not text.startswith(("{", "[")):
        return Body(None, text)
    try:
        fields = json.loads(text, object_pairs_hook=_once_each, parse_constant=_not_finite)
    except (ValueError, RecursionError) as error:
        reason = str(error) if isinstance(error, ValueError) else "nested too deeply"
        raise Refusal("bad_json", f"invalid JSON: {reason}", expected="a JSON object") from None
    if not isinstance(fields, dict):
        raise Refusal("bad_json", "payload is a list", expected="a JSON object")
    ident, reply_to = fields.pop("id", None), fields.pop("reply_to", None)
    if ident is not None and not _is_id(ident):
        raise Refusal(
            "bad_value", "id: invalid value", "id", ident, f"up to {LONGEST_TEXT} characters"
        )
    if reply_to is not None and not isinstance(reply_to, str):
        raise Refusal(
            "bad_reply_topic", "reply_to: invalid value", "reply_to", reply_to, "a topic, as text"
        )
    return Body(fields, "", ident, reply_to)


class Fields:
    """The fields of one payload, taken out one after the other. Every method that takes one checks
    it and raises Refusal bad_value or out_of_range.

    name: of the command, for messages."""

    def __init__(self, name: str, body: Body) -> None:
        self._name = name
        self._alone = body.fields is None  # the payload is one value alone
        self._bare = body.text if self._alone else None
        self._left = dict(body.fields or {})
        self._taken: list[str] = []

    def _take(self, field: str, alone: bool) -> Any:
        """Returns the value of a field, _MISSING if there is none. alone: this field may be the
        value of a payload that is one value alone."""
        self._taken.append(field)
        if self._bare is not None and alone:
            bare, self._bare = self._bare, None
            return bare
        return self._left.pop(field, _MISSING)

    def text(self, field: str, expected: str, *, alone: bool = True) -> str:
        """Takes a short printable text. expected: what would be accepted, for the message."""
        value = self._take(field, alone)
        if self._alone and isinstance(value, str) and value.startswith('"'):
            value = _unquoted(value)
        if not isinstance(value, str) or not 0 < len(value.strip()) <= LONGEST_TEXT:
            self._bad(field, value, expected)
        if not value.isprintable():
            self._bad(field, value, expected)
        return str(value.strip())

    def number(self, field: str, limit: float, *, alone: bool, optional: bool = False) -> Any:
        """Takes a finite number in Hz of at most `limit` either way; None for an optional one that
        is missing."""
        value = self._take(field, alone)
        if value is _MISSING and optional:
            return None
        if self._alone and isinstance(value, str) and _NUMBER.fullmatch(value):
            value = float(value)
        if isinstance(value, bool) or not isinstance(value, int | float):
            self._bad(field, value, "a number, in Hz")
        # An integer can be too large even to become a float.
        if not (abs(value) <= limit and math.isfinite(value)):
            raise Refusal(
                "out_of_range", f"{field}: out of range", field, value, f"up to {limit:.0f} Hz"
            )
        return float(value)

    def switch(self, field: str) -> bool:
        """Takes true or false; alone also on or off."""
        value = self._take(field, alone=True)
        if self._alone and isinstance(value, str):
            value = _SWITCH.get(value.lower(), value)
        if not isinstance(value, bool):
            self._bad(field, value, "true or false; as a bare value also on or off")
        return bool(value)

    def table(self, model: type[T]) -> T:
        """Takes the fields of a table like those of the config, and no others."""
        values = {name: self._take(name, False) for name in model.model_fields}
        self.no_more()
        values = {name: value for name, value in values.items() if value is not _MISSING}
        for name, value in values.items():
            if isinstance(value, str) and not value.isprintable():
                self._bad(name, value, "printable characters")
        try:
            return model.model_validate(values)
        except ValidationError as error:
            field = str(error.errors(include_url=False)[0]["loc"][0])
            text, _, expected = mistakes(error, values, model)[0].partition("; expected ")
            text += f"; expected {expected}" * bool(expected)
            value = values.get(field)
            raise Refusal("bad_value", text, field, value, expected or None) from None

    def token(self, field: str) -> str | None:
        """Takes the token of a second step; None if it is missing."""
        value = self._take(field, alone=False)
        if value is _MISSING:
            return None
        if not isinstance(value, str) or len(value) > LONGEST_TEXT:
            self._bad(field, value, "the confirm_token of the previous reply")
        return str(value)

    def no_more(self) -> None:
        """Raises Refusal bad_value if anything is left."""
        if self._bare:
            self._bad("payload", self._bare, "a JSON object")
        for field in self._left:
            expected = ", ".join((*self._taken, *ENVELOPE))
            raise Refusal(
                "bad_value", f"{self._name}: unknown field", str(_shown(field)), None, expected
            )

    def _bad(self, field: str, value: object, expected: str) -> NoReturn:
        if value is _MISSING:
            raise Refusal("bad_value", f"{field}: missing", field, None, expected)
        raise Refusal("bad_value", f"{field}: invalid value", field, value, expected)


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Returns the fields of a JSON object. Raises ValueError for a repeated one."""
    fields = dict(pairs)
    if len(fields) != len(pairs):
        raise ValueError("field used twice")
    return fields


def _not_finite(name: str) -> NoReturn:
    raise ValueError(f"{name} is not allowed")


def _unquoted(text: str) -> object:
    try:
        return json.loads(text)
    except ValueError:
        return text


def _is_id(value: object) -> bool:
    if isinstance(value, bool):
        return False
    if isinstance(value, int):
        return abs(value) < 2**63
    return isinstance(value, str) and 0 < len(value) <= LONGEST_TEXT


def _shown(value: object) -> object:
    """Returns a refused value as it goes into the reply: unchanged if short, else its beginning."""
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, float | int) and abs(value) < 2**63:
        return value if math.isfinite(value) else str(value)
    text = value if isinstance(value, str) else json.dumps(value, default=str)
    return text if len(text) <= LONGEST_TEXT else text[: LONGEST_TEXT - 3] + "..."


# --- replies --------------------------------------------------------------------------------------


def reply_done(ident: str | int | None, changed: dict[str, Any]) -> dict[str, Any]:
    """Returns the reply to a command that was carried out. changed: the new values. Whether it
    is saved is added later."""
    return {"ok": True, "id": ident, "result": changed}


def reply_refused(ident: str | int | None, refusal: Refusal) -> dict[str, Any]:
    """Returns the reply to a command that was refused. With code `confirm` it holds the token
    of the second step."""
    error = {
        "code": refusal.code,
        "message": refusal.message,
        "field": refusal.field,
        "value": refusal.value,
        "expected": refusal.expected,
        "confirm_token": refusal.confirm_token,
    }
    return {"ok": False, "id": ident, "error": error}


def id_from(correlation: bytes | None) -> str | None:
    """Returns the id of a command that has correlation data instead: as text where it is some, else
    as hexadecimal digits; None without correlation data."""
    if not correlation:
        return None
    try:
        text = correlation.decode()
    except UnicodeDecodeError:
        return correlation.hex()[:64]
    return text if text.isprintable() and len(text) <= 64 else correlation.hex()[:64]
