"""What moontrim tells its user when something is wrong.

MoontrimError                 anything we raise on purpose; its text is one line for a person
|-- InputError      a value given by the user: names the field, the value and what is allowed
|-- CoverageError   an instant outside the tables (Earth rotation, ephemeris) or a missing table
`-- BusyError       too many requests at once; the same one may go through later
"""

from __future__ import annotations


class MoontrimError(Exception):
    """Base of every error moontrim raises on purpose. str() is one line meant for a person."""


class InputError(MoontrimError):
    """A value from outside is not usable.

    field: what the user would call it (a config key, an option, a command field).
    value: what was given, None for nothing.
    allowed: what would have been accepted, as a short phrase.
    """

    def __init__(self, field: str, value: object, allowed: str) -> None:
        self.field = field
        self.value = value
        self.allowed = allowed
        shown = repr(value)
        if len(shown) > 80:
            shown = f"{shown[:30]}...{shown[-47:]}"  # the end of a path says most
        said = "nothing was given" if value is None else f"{shown} is not usable"
        super().__init__(f"{field}: {said}; allowed: {allowed}")


class CoverageError(MoontrimError):
    """An instant lies outside the range of a table, or the table itself is missing or damaged."""


class BusyError(MoontrimError):
    """Too many requests at once; the same one may go through later."""
