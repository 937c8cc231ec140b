"""How thorough a run of the tests is. A person's `make test` is quick; CI also runs tests marked
`long` and longer simulations; MOONTRIM_LONG=1, by hand, runs everything with the most cases."""

from __future__ import annotations

import os
from typing import NoReturn, TypeVar

import pytest

T = TypeVar("T")

CI = bool(os.environ.get("CI"))
MOST = os.environ.get("MOONTRIM_LONG") == "1"
LONG = CI or MOST


def effort(quick: T, ci: T, most: T) -> T:
    """Returns the one of the three values that this run uses."""
    return most if MOST else ci if CI else quick


def cases(*values: object, quick: int = 1) -> list[object]:
    """Returns cases for `parametrize`: a person's quick run plays the first ones, CI all of them.
    For what takes real time, many processes or long arithmetic."""
    return [
        value if number < quick else pytest.param(value, marks=pytest.mark.long)
        for number, value in enumerate(values)
    ]


def missing(what: str) -> NoReturn:
    """Skips the test for lack of a program; in CI that is a failure."""
    if CI:
        pytest.fail(f"{what} is not installed")
    pytest.skip(f"{what} is not installed")
