"""What every table of the config file is made of. A leaf, so that each part can keep its own table
beside it and `settings` only puts them together."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError

Hertz = Annotated[int, Field(gt=0, lt=10**12)]


class Table(BaseModel):
    """One table of the file: immutable, strict about types, and without unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


def problems(error: ValidationError, prefix: str = "") -> list[str]:
    """One phrase for each thing wrong, naming key, reason and what was given."""
    lines = []
    for problem in error.errors(include_url=False):
        where = ".".join(str(part) for part in ((prefix,) if prefix else ()) + problem["loc"])
        message = problem["msg"].removeprefix("Value error, ")
        if problem["type"] == "extra_forbidden":
            message = "unknown key"
        shown = problem["input"]
        given = "" if isinstance(shown, dict | list | tuple | BaseModel) else f" (given: {shown!r})"
        lines.append(f"{where}: {message}{given}" if where else message)
    return lines
