"""The keys that a table of the config knows, to name the one that was probably meant. Pure."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from typing import get_args

from pydantic import BaseModel


def nearest_key(model: type[BaseModel], at: tuple[int | str, ...]) -> str:
    """Returns the known key most like an unknown one; empty if none is like it.

    at: where the unknown key stands, from a table of this model on, as pydantic has it."""
    tables = [model]
    for part in at[:-1]:
        inner = [
            table
            for outer in tables
            if part in outer.model_fields
            for table in _tables(outer.model_fields[str(part)].annotation)
        ]
        # Else the number of an entry, the name of one, or the branch of a union.
        tables = inner or tables
    keys = {key for table in tables for key in table.model_fields}
    return next(iter(difflib.get_close_matches(str(at[-1]), sorted(keys), n=1)), "")


def _tables(annotation: object) -> Iterator[type[BaseModel]]:
    """Yields the models that an annotation contains."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in get_args(annotation):
        yield from _tables(argument)
