"""Messages of the semicolon bus as values: to bytes and from bytes. Pure.

A message is two capital letters and an optional argument, up to a semicolon: `FA;` asks for the
first dial, `FA00144123456;` sets it and is also the answer. A set is not answered. `?;` is a
refusal; `E;` and `O;` mean that the radio received something damaged.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

LONGEST_MESSAGE = 80  # chosen: twice the longest answer in use, `IF`
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
    """One message. name: two capital letters, or one of ?, E and O. rest: the printable argument.

    Raises ValueError for parts that make no message."""

    name: str
    rest: str = ""

    def __post_init__(self) -> None:
        text = self.name + self.rest
        if not _MESSAGE.fullmatch(text) or len(text) >= LONGEST_MESSAGE:
            raise ValueError(f"{text!r} is no message")
        if self.name != (text[:2] if text[1:] else text):
            raise ValueError(f"{self.name!r} is no name of a message")

    def to_bytes(self) -> bytes:
        """Returns the message as sent, semicolon included."""
        return f"{self.name}{self.rest};".encode("ascii")

    @classmethod
    def from_bytes(cls, data: bytes) -> Message:
        """Returns the message in these bytes. Raises ValueError unless they are just one."""
        try:
            text = data.decode("ascii")
        except UnicodeDecodeError:
            text = ""
        if text[-1:] != ";":
            raise ValueError(f"{data[:LONGEST_MESSAGE]!r} is no message")
        text = text[:-1]
        return cls(text[:2], text[2:])


class MessageSplitter:
    """Splits bytes in pieces of any size into messages. Bytes of no message are skipped."""

    def __init__(self) -> None:
        self._noise = b""
        self._partial = b""

    @property
    def noise(self) -> bytes:
        """The first 80 bytes that were skipped, or an unfinished piece that cannot be a message."""
        unfit = not (self._partial.isascii() and self._partial.decode("ascii").isprintable())
        return self._noise or (self._partial if unfit else b"")

    def feed(self, data: bytes) -> Iterator[Message]:
        """Takes more bytes. Yields each message that they complete."""
        *whole, self._partial = (self._partial + data).split(b";")
        for part in whole:
            try:
                message = Message.from_bytes(part.lstrip(b"\r\n") + b";")
            except ValueError:
                self._skip(part + b";")
            else:
                yield message
        if len(self._partial) > LONGEST_MESSAGE:
            self._skip(self._partial)
            self._partial = b""

    def _skip(self, data: bytes) -> None:
        self._noise = (self._noise + data)[:LONGEST_MESSAGE]


@dataclass(frozen=True, slots=True)
class Status:
    """The answer to `IF`. dial_hz: of the dial in use. mode: None: unknown. second_dial: the dial
    in use is the second one. rit_hz, xit_hz: the offset where it is switched on, else 0."""

    dial_hz: int
    transmitting: bool
    mode: str | None
    second_dial: bool
    split: bool
    rit_hz: int = 0
    xit_hz: int = 0

    def to_text(self) -> str:
        """Returns the argument of an `IF` message, with memories zero. Both offsets are one."""
        mode = MODES.get(self.mode or "", 0)
        offset_hz = self.rit_hz or self.xit_hz
        return (
            f"{dial(self.dial_hz)}     {offset_hz:+05d}{bool(self.rit_hz):d}{bool(self.xit_hz):d}"
            f"0{0:02d}{self.transmitting:d}{mode:d}"
            f"{self.second_dial:d}0{self.split:d}0000"
        )

    @classmethod
    def from_text(cls, rest: str) -> Status:
        """Returns the status in the argument of an `IF` message. Raises ValueError.

        Character positions are as published, counted from the start of the name: offset of RIT and
        XIT 18 to 22, their switches 23 and 24, transmit 28, mode 29, dial 30, split 32."""
        if len(rest) != _STATUS_LENGTH:
            raise ValueError(f"IF with {len(rest)} characters; allowed: {_STATUS_LENGTH}")
        offset_hz = signed(rest[16:21])
        return cls(
            dial_hz=dial_hz(rest[:DIAL_DIGITS]),
            transmitting=flag(rest[26]),
            mode=mode_name(rest[27]),
            second_dial=flag(rest[28]),
            split=flag(rest[30]),
            rit_hz=offset_hz if flag(rest[21]) else 0,
            xit_hz=offset_hz if flag(rest[22]) else 0,
        )


def dial(value_hz: int) -> str:
    """Returns a dial in whole Hz, 0 to 99,999,999,999, as eleven digits. Raises ValueError."""
    if not 0 <= value_hz <= HIGHEST_DIAL_HZ:
        raise ValueError(f"{value_hz} Hz does not fit into {DIAL_DIGITS} digits")
    return f"{value_hz:0{DIAL_DIGITS}d}"


def dial_hz(text: str) -> int:
    """Returns the Hz in eleven digits, the inverse of `dial`. Raises ValueError."""
    if len(text) != DIAL_DIGITS:
        raise ValueError(f"a dial of {len(text)} digits; allowed: {DIAL_DIGITS}")
    return number(text)


def number(text: str) -> int:
    """Returns the value of decimal digits. Raises ValueError for any other character."""
    if not (text.isascii() and text.isdigit()):
        raise ValueError(f"{text!r} is no number")
    return int(text)


def signed(text: str) -> int:
    """Returns the value of decimal digits after a sign, or a blank for plus. Raises ValueError."""
    if text[:1] not in ("+", "-", " "):
        raise ValueError(f"{text!r} has no sign")
    return -number(text[1:]) if text[0] == "-" else number(text[1:])


def flag(text: str) -> bool:
    """Returns the value of 0 or 1. Raises ValueError."""
    if text not in ("0", "1"):
        raise ValueError(f"{text!r} is neither 0 nor 1")
    return text == "1"


def mode_name(text: str) -> str | None:
    """Returns the name of the mode in an answer to `MD`; None: unknown."""
    return _MODE_NAMES.get(text)
