"""The `[journal]` table of the config: whether sessions are recorded, and how large it may get."""

from __future__ import annotations

from pydantic import Field

from moontrim.config.table import Table


class JournalSettings(Table):
    """The record of every session, in the state folder."""

    enabled: bool = Field(True, description="false: nothing is recorded, and nothing is deleted.")
    max_mb: int = Field(
        200,
        ge=8,
        le=100_000,
        description="Largest size of the journal in megabytes; a whole day takes about 7. The "
        "oldest sessions are deleted first.",
    )
