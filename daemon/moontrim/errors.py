"""The errors that moontrim raises on purpose. The text of each is one line for a person.

MoontrimError
|-- InputError      a value from the user is invalid: names field, value and what was expected
|-- CoverageError   an instant outside the tables (Earth orientation, ephemeris) or a missing table
|-- BusyError       too many requests at once; the same one may succeed later
`-- NotNowError     not possible in the present state: names the state and the remedy
"""

from __future__ import annotations

from pathlib import Path


class MoontrimError(Exception):
    """The base of the errors that moontrim raises on purpose. str() is one line for a person."""


class InputError(MoontrimError):
    """A value from the user is invalid.

    field: its name for the user (a config key, an option, a field of a command).
    value: None: it is missing.
    expected: a short phrase for what would have been accepted.
    problem: the text without the field; where value and expectation do not say it, one of its own.
    """

    def __init__(
        self, field: str, value: object, expected: str = "", *, problem: str | None = None
    ) -> None:
        self.field = field
        self.value = value
        self.expected = expected
        if problem is None:
            invalid = "missing" if value is None else f"invalid value {shortened(repr(value))}"
            problem = f"{invalid}; expected {expected}"
        self.problem = problem
        super().__init__(f"{field}: {self.problem}")


class CoverageError(MoontrimError):
    """An instant lies outside the range of a table, or the table itself is missing or damaged."""


class BusyError(MoontrimError):
    """Too many requests at once; the same one may succeed later."""


class NotNowError(MoontrimError):
    """Not possible in the present state. The text names the state and the remedy."""


def shortened(text: str) -> str:
    """Returns a text of at most 80 characters, with its end, since the end of a path says most."""
    return text if len(text) <= 80 else f"{text[:30]}...{text[-47:]}"


def reason_of(error: BaseException) -> str:
    """Returns why something failed, without the path that the message names anyway."""
    return (isinstance(error, OSError) and error.strerror) or str(error)


def unwritable(field: str, path: Path, error: OSError) -> InputError:
    """Returns the error for a file that cannot be written. field: the option or key for it."""
    return InputError(field, str(path), problem=f"cannot write {path} ({reason_of(error)})")


def not_found(field: str, path: Path) -> InputError:
    """Returns the error for a file that does not exist. field: the option or key for it."""
    return InputError(field, str(path), problem=f"{path} not found")
