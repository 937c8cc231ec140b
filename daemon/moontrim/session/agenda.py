"""The agenda: skeds with the times at which the daemon follows them unattended. Pure values; what
is done with them is in the room `agenda`."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Instant = Annotated[float, Field(ge=0, lt=1e11, allow_inf_nan=False)]


class AgendaEntry(BaseModel):
    """A sked with its time.

    id: short and unique, by which it is removed. sked: name of a sked. outcome: what became of it;
    empty until it is over."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: Annotated[str, Field(min_length=1, max_length=16)]
    sked: Annotated[str, Field(min_length=1, max_length=40)]
    start_utc_s: Instant
    end_utc_s: Instant
    outcome: str = ""
