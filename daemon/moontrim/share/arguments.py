"""What the arguments of a command mean: numbers, frequencies, names of VFOs and modes. Pure."""

from __future__ import annotations

import math
import re

from moontrim.share.view import whole_hz

HIGHEST_HZ = 1e12
_MODE = re.compile(r"[A-Z0-9-]{1,12}")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?")
_FIRST = frozenset({"VFOA", "Main", "MainA", "RX"})
_SECOND = frozenset({"VFOB", "Sub", "SubA", "MainB", "TX"})
_PRESENT = frozenset({"currVFO", "VFO"})


def is_mode(text: str) -> bool:
    """Could this be the name of a mode? Whether it is one is the radio's to say."""
    return _MODE.fullmatch(text) is not None


def second_vfo(name: str, selected: bool) -> bool | None:
    """Does this name the second VFO? selected: is that the present one. None: it names none."""
    if name in _PRESENT:
        return selected
    if name in _FIRST or name in _SECOND:
        return name in _SECOND
    return None


def number(text: str) -> float | None:
    """A finite decimal number; None if it is none."""
    value = float(text) if _NUMBER.fullmatch(text) else math.inf
    return value if math.isfinite(value) else None


def hertz(text: str) -> int | None:
    """A frequency, to the nearest whole hertz; None if it is none."""
    value = number(text)
    return whole_hz(value) if value is not None and 0.5 <= value < HIGHEST_HZ else None


def passband(text: str) -> int | None:
    """In Hz, 0 the mode's normal one, -1 as it is; None if it is none."""
    value = number(text)
    return whole_hz(value) if value is not None and -1 <= value <= 1_000_000 else None
