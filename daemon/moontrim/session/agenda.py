"""The agenda: skeds with the times at which the daemon follows them unattended. Pure values; what
is done with them is in the room `agenda`."""

from __future__ import annotations

import hashlib
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from moontrim.errors import InputError
from moontrim.formats import iso

FIRST_UTC_S, LAST_UTC_S = 0.0, 1e11  # chosen: what the text of an instant can show
Instant = Annotated[float, Field(ge=FIRST_UTC_S, lt=LAST_UTC_S, allow_inf_nan=False)]


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

    def __str__(self) -> str:
        """Returns the sked with its time, for a person."""
        return f"{self.sked}, {iso(self.start_utc_s)} to {iso(self.end_utc_s)}"

    def overlaps(self, other: AgendaEntry) -> bool:
        """Returns whether both last at some instant; one may end when the other begins."""
        return self.start_utc_s < other.end_utc_s and other.start_utc_s < self.end_utc_s


def new_entry(sked: str, start_utc_s: float, end_utc_s: float, uid: str = "") -> AgendaEntry:
    """Returns an entry, whose id is always the same for the same sked and times, or for the same
    UID of a calendar's event. Raises InputError for an instant that no entry can have."""
    for field, utc_s in (("start", start_utc_s), ("end", end_utc_s)):
        if not FIRST_UTC_S <= utc_s < LAST_UTC_S:
            raise InputError(field, utc_s, "an instant after 1970")
    identity = uid or f"{sked.casefold()}|{start_utc_s:.0f}|{end_utc_s:.0f}"
    digest = hashlib.sha256(identity.encode()).hexdigest()
    return AgendaEntry(id=digest[:8], sked=sked, start_utc_s=start_utc_s, end_utc_s=end_utc_s)
