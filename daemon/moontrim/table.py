"""What every table of the config file is made of. A leaf, so that each part can keep its own table
beside it and `settings` only puts them together."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Hertz = Annotated[int, Field(gt=0, lt=10**12)]


class Table(BaseModel):
    """One table of the file: immutable, strict about types, and without unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)
