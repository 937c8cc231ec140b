"""Mistakes in a config file, in moontrim's own words: where, what was found, what was expected.

Turns the errors of the models into one phrase each, such as

    [[keying.outputs]] no. 1: kind: invalid value 'relay'; expected one of radio, rts, dtr, gpio
    clock.max_error_ms: invalid value -1; expected at least 0.1

and gives validators the errors to raise. Pure."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Callable, Mapping
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from moontrim.config.knownkeys import nearest_key
from moontrim.errors import InputError, shortened
from moontrim.formats import short

Place = tuple[int | str, ...]


class Expected(ValueError):
    """Raised by a validator for a value that it refuses. str() is what was expected instead."""


class Mistakes(ValueError):
    """Raised by a validator for mistakes found deeper down. phrases: each with its place."""

    def __init__(self, phrases: list[str]) -> None:
        super().__init__("; ".join(phrases))
        self.phrases = phrases


class FieldMistake(ValueError):
    """Raised by a validator of a table for one of its keys, from an InputError about it."""

    def __init__(self, error: InputError) -> None:
        super().__init__(str(error))
        self.error = error


def mistakes(
    error: ValidationError, raw: object, model: type[BaseModel], root: Place = ()
) -> list[str]:
    """Returns one phrase for each mistake.

    raw: what was validated, for the names of tables. model: against what, for the names of keys.
    root: where that stands in the file."""
    phrases: list[str] = []
    errors = error.errors(include_url=False)
    for problem in errors:
        at = problem["loc"]
        if problem["type"] == "too_short" and any(
            len(other["loc"]) > len(at) and other["loc"][: len(at)] == at for other in errors
        ):
            continue  # it has too few elements only because those with problems are not counted
        phrases += _phrases(problem, raw, model, root)
    return phrases


def _phrases(problem: ErrorDetails, raw: object, model: type[BaseModel], root: Place) -> list[str]:
    cause = problem.get("ctx", {}).get("error")
    at = problem["loc"]
    if isinstance(cause, Mistakes):
        return cause.phrases
    if isinstance(cause, FieldMistake):
        field, text = cause.error.field, cause.error.problem
        return [f"{_place(root, (*at, field), raw)}: {text}"]
    if problem["type"].startswith("union_tag_"):
        at = (*at, str(problem["ctx"]["discriminator"]).strip("'"))
    place = _place(root, at, raw)
    text = _text(problem, cause)
    if problem["type"] == "extra_forbidden" and (meant := nearest_key(model, problem["loc"])):
        text += f"; did you mean {meant}?"
    return [f"{place}: {text}" if place else text]


def _text(problem: ErrorDetails, cause: object) -> str:
    kind, context, value = problem["type"], problem.get("ctx", {}), problem["input"]
    if kind == "value_error" and not isinstance(cause, Expected):
        return str(cause)
    if kind == "missing" or kind == "union_tag_not_found":
        return "missing"
    if kind == "extra_forbidden":
        return "unknown key"  # without its value, which may be a password
    expected = str(cause) if isinstance(cause, Expected) else _EXPECTED[kind](context)
    if kind == "union_tag_invalid":
        return f"invalid value {context['tag']!r}; expected {expected}"
    if isinstance(value, float) and not math.isfinite(value):
        expected = "a finite number"
    if isinstance(value, Mapping | list | tuple | BaseModel):
        return f"expected {expected}"
    return f"invalid value {_as_written(value)}; expected {expected}"


ErrorContext = Mapping[str, Any]


def _always(text: str) -> Callable[[ErrorContext], str]:
    return lambda context: text


def _bound(phrase: str, key: str) -> Callable[[ErrorContext], str]:
    return lambda context: f"{phrase} {short(context[key])}"


def _choices(context: ErrorContext) -> str:
    """Returns "one of a, b, c" from "'a', 'b' or 'c'"."""
    text = str(context.get("expected") or context["expected_tags"])
    names = [name.strip().strip("'") for name in text.replace(" or ", ", ").split(",")]
    return names[0] if len(names) == 1 else f"one of {', '.join(names)}"


def _length(phrase: str, key: str, one: str, many: str) -> Callable[[ErrorContext], str]:
    return lambda context: f"{phrase} {context[key]} {one if context[key] == 1 else many}"


_CHARACTERS, _ENTRIES = ("character", "characters"), ("entry", "entries")

# By pydantic's types of errors: all that the models can cause (tests/unit/config/test_mistakes.py
# goes through their schema).
_EXPECTED: dict[str, Callable[[ErrorContext], str]] = {
    "bool_type": _always("true or false"),
    "int_type": _always("a whole number"),
    "int_from_float": _always("a whole number"),
    "float_type": _always("a number"),
    "finite_number": _always("a finite number"),
    "string_type": _always("text in quotes"),
    "path_type": _always("a path in quotes"),
    "date_type": _always("a date such as 2026-11-30"),
    "date_from_datetime_inexact": _always("a date without a time"),
    "tuple_type": _always("a list in square brackets"),
    "list_type": _always("a list in square brackets"),
    "dict_type": _always("a table"),
    "model_type": _always("a table"),
    "model_attributes_type": _always("a table"),
    "greater_than": _bound("more than", "gt"),
    "greater_than_equal": _bound("at least", "ge"),
    "less_than": _bound("less than", "lt"),
    "less_than_equal": _bound("at most", "le"),
    "literal_error": _choices,
    "union_tag_invalid": _choices,
    "string_too_short": _length("at least", "min_length", *_CHARACTERS),
    "string_too_long": _length("at most", "max_length", *_CHARACTERS),
    "too_short": _length("at least", "min_length", *_ENTRIES),
    "too_long": _length("at most", "max_length", *_ENTRIES),
}


def _as_written(value: object) -> str:
    """Returns a value nearly as TOML has it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    return shortened(repr(value))


def _place(root: Place, at: Place, raw: object) -> str:
    """Returns where something stands: `clock.trust`, or `[[bands]] "10 GHz": sked_hz`.

    at: from `raw` on, as pydantic has it, with branches of unions among the keys."""
    text, separator, inner = ".".join(map(str, root)), "." if root else "", raw
    for index, part in enumerate(at):
        if isinstance(part, int):
            inner = inner[part] if isinstance(inner, list | tuple) and part < len(inner) else None
            text, separator = _numbered(text, part, inner), ": "
        elif isinstance(inner, Mapping) and (part in inner or index == len(at) - 1):
            inner = inner.get(part)
            bare = _BARE_KEY.fullmatch(part) is not None
            text += separator + (part if bare else f'"{part}"')
            separator = "." if bare else ": "
        # Anything else is the name of a branch of a union.
    return text


_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")  # TOML 1.0, "Keys"


def _numbered(table: str, index: int, item: object) -> str:
    if not isinstance(item, Mapping):
        return f"{table}, entry {index + 1}"
    name = item.get("name")
    which = f'"{name}"' if isinstance(name, str) and name else f"no. {index + 1}"
    return f"[[{table}]] {which}"
