"""Messages of the semicolon bus, as values: to bytes and from bytes. Pure.

A message is two capital letters and what belongs to them, up to a semicolon: `FA;` asks for the
first dial, `FA00144123456;` sets it and is also the answer. A set is not answered. `?;` says no,
`E;` and `O;` that the radio could not understand what came over the line.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

LONGEST_MESSAGE = 80
DIAL_DIGITS = 11
HIGHEST_DIAL_HZ = 10**DIAL_DIGITS - 1

REFUSED, DAMAGED = "?", ("E", "O")

# mode numbers as published for this bus
MODES = {"LSB": 1, "USB": 2, "CW": 3, "FM": 4, "AM": 5, "RTTY": 6, "CWR": 7, "RTTYR": 9}
_MODE_NAMES = {str(number): name for name, number in MODES.items()}

_MESSAGE = re.compile(r"(?:[A-Z]{2}|[?EO](?=$))[ -:<-~]*")
_STATUS_LENGTH = 35


@dataclass(frozen=True, slots=True)
class Message:
    """name: two capital letters, or one of ?, E and O. rest: what follows, printable."""

    name: str
    rest: str = ""

    def __post_init__(self) -> None:
        text = self.name + self.rest
        if not _MESSAGE.fullmatch(text) or len(text) >= LONGEST_MESSAGE:
            raise ValueError(f"{text!r} is no message")
        if self.name != (text[:2] if text[1:] else text):
            raise ValueError(f"{self.name!r} is no name of a message")

    def to_bytes(self) -> bytes:
        return f"{self.name}{self.rest};".encode("ascii")

    @classmethod
    def from_bytes(cls, data: bytes) -> Message:
        """One whole message and nothing else. Raises ValueError."""
        try:
            text = data.decode("ascii")
        except UnicodeDecodeError:
            text = ""
        if text[-1:] != ";":
            raise ValueError(f"{data[:LONGEST_MESSAGE]!r} is no message")
        text = text[:-1]
        return cls(text[:2], text[2:])


class MessageSplitter:
    """Messages out of bytes in any pieces. What is no message is skipped."""

    def __init__(self) -> None:
        self._noise = b""
        self._partial = b""

    @property
    def noise(self) -> bytes:
        """What was skipped, the first 80 bytes of it, or what has begun and cannot be a message."""
        unfit = not (self._partial.isascii() and self._partial.decode("ascii").isprintable())
        return self._noise or (self._partial if unfit else b"")

    def feed(self, data: bytes) -> Iterator[Message]:
        *whole, self._partial = (self._partial + data).split(b";")
        for part in whole:
            try:
                message = Message.from_bytes(part.lstrip(b"\r\n") + b";")
            except ValueError:
                self._spoil(part + b";")
            else:
                yield message
        if len(self._partial) > LONGEST_MESSAGE:
            self._spoil(self._partial)
            self._partial = b""

    def _spoil(self, data: bytes) -> None:
        self._noise = (self._noise + data)[:LONGEST_MESSAGE]


@dataclass(frozen=True, slots=True)
class Status:
    """What `IF` tells. dial_hz: of the dial in use. second_dial: the dial in use is the second."""

    dial_hz: int
    transmitting: bool
    mode: str | None
    second_dial: bool
    split: bool

    def to_text(self) -> str:
        """The rest of an IF message, offsets and memories at nought."""
        mode = MODES.get(self.mode or "", 0)
        return (
            f"{dial(self.dial_hz)}     +0000000{0:02d}{self.transmitting:d}{mode:d}"
            f"{self.second_dial:d}0{self.split:d}0000"
        )

    @classmethod
    def from_text(cls, rest: str) -> Status:
        """Raises ValueError. Places are as published, counted from the name: transmit 28, mode 29,
        dial 30, split 32."""
        if len(rest) != _STATUS_LENGTH:
            raise ValueError(f"IF with {len(rest)} characters; allowed: {_STATUS_LENGTH}")
        return cls(
            dial_hz=dial_hz(rest[:DIAL_DIGITS]),
            transmitting=flag(rest[26]),
            mode=mode_name(rest[27]),
            second_dial=flag(rest[28]),
            split=flag(rest[30]),
        )


def dial(value_hz: int) -> str:
    """A dial in whole Hz, 0 to 99,999,999,999, as eleven digits. Raises ValueError."""
    if not 0 <= value_hz <= HIGHEST_DIAL_HZ:
        raise ValueError(f"{value_hz} Hz does not fit into {DIAL_DIGITS} digits")
    return f"{value_hz:0{DIAL_DIGITS}d}"


def dial_hz(text: str) -> int:
    """The opposite of `dial`. Raises ValueError, also for another length."""
    if len(text) != DIAL_DIGITS:
        raise ValueError(f"a dial of {len(text)} digits; allowed: {DIAL_DIGITS}")
    return number(text)


def number(text: str) -> int:
    """Digits and nothing else. Raises ValueError."""
    if not (text.isascii() and text.isdigit()):
        raise ValueError(f"{text!r} is no number")
    return int(text)


def flag(text: str) -> bool:
    """0 or 1. Raises ValueError."""
    if text not in ("0", "1"):
        raise ValueError(f"{text!r} is neither 0 nor 1")
    return text == "1"


def mode_name(text: str) -> str | None:
    """The mode of an answer to MD; None: unknown."""
    return _MODE_NAMES.get(text)
