"""The values in answers of Hamlib's network protocol, from their text. Pure."""

from __future__ import annotations

import math

from moontrim_drivers.limits import HIGHEST_DIAL_HZ, LOWEST_DIAL_HZ, WIDEST_PASSBAND_HZ

WIDEST_OFFSET_HZ = 99_999  # of RIT and XIT; chosen: ten times what radios have


def number(text: str) -> float:
    """Returns a finite number. Raises ValueError, as all below do."""
    value = float(text)
    if not math.isfinite(value):
        raise ValueError
    return value


def dial_hz(text: str) -> int:
    """Returns a dial in whole Hz."""
    value_hz = round(number(text))
    if not LOWEST_DIAL_HZ <= value_hz <= HIGHEST_DIAL_HZ:
        raise ValueError
    return value_hz


def flag(text: str) -> bool:
    """Returns a state; transmit states above 1 say where the audio comes from."""
    value = int(text)
    if value not in (0, 1, 2, 3):
        raise ValueError
    return value > 0


def passband_hz(text: str) -> int:
    """Returns a passband in whole Hz."""
    value_hz = round(number(text))
    if not 0 <= value_hz <= WIDEST_PASSBAND_HZ:
        raise ValueError
    return value_hz


def offset_hz(text: str) -> int:
    """Returns the offset of RIT or XIT in whole Hz."""
    value_hz = round(number(text))
    if abs(value_hz) > WIDEST_OFFSET_HZ:
        raise ValueError
    return value_hz


def repeater_shift(text: str) -> bool:
    """Returns whether there is one. Its absence is printed as a word or as nothing."""
    return text.strip() in ("+", "-")


def level(text: str) -> float:
    """Returns a level, 0 to 1. Some radios report more than full power; that is full power. A
    negative one raises ValueError, because it would pass every drive ceiling."""
    value = number(text)
    if value < 0.0:
        raise ValueError
    return min(1.0, value)
