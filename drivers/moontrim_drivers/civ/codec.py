"""Frames of the addressed binary bus as values: to bytes and from bytes. Pure.

    FE FE | to | from | command, sub-command, data ... | FD

A controller asks, a radio answers: with the same command and data, with FB (done) or with FA
(refused). Numbers are binary-coded decimal, two digits per byte. On a one-wire bus everything sent
is also received, and FC means a collision: two sent at once. A frame to address 00 is a broadcast,
by which a radio reports that its knob was turned.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

PREAMBLE, END, JAM = 0xFE, 0xFD, 0xFC
DONE, REFUSED = b"\xfb", b"\xfa"
EVERYBODY = 0x00
LONGEST_BODY = 64

DIAL_DIGITS = 10
HIGHEST_DIAL_HZ = 10**DIAL_DIGITS - 1

# mode bytes as published for this bus; a data mode is USB or LSB with a flag beside it
MODES = {"LSB": 0, "USB": 1, "AM": 2, "CW": 3, "RTTY": 4, "FM": 5, "CWR": 7, "RTTYR": 8}
_MODE_NAMES = {number: name for name, number in MODES.items()}


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame. to, sender: addresses. body: command, sub-command and data, 1 to 64 bytes below
    FC. Raises ValueError for parts that make no frame."""

    to: int
    sender: int
    body: bytes

    def __post_init__(self) -> None:
        for byte in (self.to, self.sender):
            if not 0 <= byte < JAM:
                raise ValueError(f"{byte:#x} is no address")
        if not 1 <= len(self.body) <= LONGEST_BODY:
            raise ValueError(f"a body of {len(self.body)} bytes; allowed: 1 to {LONGEST_BODY}")
        if max(self.body) >= JAM:
            raise ValueError(f"{self.body.hex(' ')}: FC to FF cannot stand in a body")

    def to_bytes(self) -> bytes:
        """Returns the frame as sent, preamble and end included."""
        return bytes((PREAMBLE, PREAMBLE, self.to, self.sender)) + self.body + bytes((END,))

    @classmethod
    def from_bytes(cls, data: bytes) -> Frame:
        """Returns the frame in these bytes. Raises ValueError unless they are just one."""
        frames = list(FrameSplitter().feed(data))
        if len(frames) != 1 or frames[0] is None or frames[0].to_bytes() != data:
            raise ValueError(f"{data.hex(' ')} is not one frame")
        return frames[0]


class FrameSplitter:
    """Splits bytes in pieces of any size into frames. A preamble always begins a new frame.

    noise: the first 64 bytes that belonged to no frame and were skipped."""

    def __init__(self) -> None:
        self.noise = b""
        self._leads = 0
        self._body: bytearray | None = None

    def feed(self, data: bytes) -> Iterator[Frame | None]:
        """Takes more bytes. Yields each frame that they complete, and None for each collision."""
        for byte in data:
            if byte == PREAMBLE:
                self._leads += 1
                if self._leads == 2:
                    self._spoil()
                    self._body = bytearray()
                continue
            leads, self._leads = self._leads, 0
            if byte == JAM:
                self._body = None
                yield None
            elif self._body is None or (leads == 1) or byte == 0xFF:
                self._spoil(byte)
            elif byte != END:
                self._body.append(byte)
                if len(self._body) > LONGEST_BODY + 2:
                    self._spoil()
            elif len(self._body) < 3:
                self._spoil(byte)
            else:
                to, sender, *body = self._body
                self._body = None
                yield Frame(to, sender, bytes(body))

    def _spoil(self, *more: int) -> None:
        self.noise = (self.noise + bytes(self._body or b"") + bytes(more))[:64]
        self._body = None


def digits(value: int, length: int) -> bytes:
    """Returns a number as binary-coded decimal of that many bytes, most significant first. Raises
    ValueError if it does not fit."""
    if not 0 <= value < 100**length:
        raise ValueError(f"{value} does not fit into {2 * length} digits")
    return bytes.fromhex(f"{value:0{2 * length}d}")


def number(data: bytes) -> int:
    """Returns the value of binary-coded decimal, the inverse of `digits`. Raises ValueError."""
    text = data.hex()
    if not (text.isascii() and text.isdigit()):
        raise ValueError(f"{data.hex(' ')} is no binary-coded decimal")
    return int(text)


def dial(value_hz: int) -> bytes:
    """Returns a dial in whole Hz, 0 to 9,999,999,999, least significant pair of digits first.
    Raises ValueError if it does not fit."""
    return digits(value_hz, DIAL_DIGITS // 2)[::-1]


def dial_hz(data: bytes) -> int:
    """Returns the Hz in the bytes of a dial, the inverse of `dial`. Raises ValueError."""
    if len(data) != DIAL_DIGITS // 2:
        raise ValueError(f"a dial of {len(data)} bytes; allowed: {DIAL_DIGITS // 2}")
    return number(data[::-1])


def level(fraction: float) -> bytes:
    """Returns a level, 0 to 1, as the nearest of 0 to 255 in four digits."""
    return digits(round(255 * fraction), 2)


def level_fraction(data: bytes) -> float:
    """Returns the level, 0 to 1, in its bytes, the inverse of `level`. Raises ValueError."""
    value = number(data)
    if len(data) != 2 or value > 255:
        raise ValueError(f"{data.hex(' ')} is no level")
    return value / 255


def offset_hz(data: bytes) -> int:
    """Returns the offset of RIT and XIT in its bytes: two of binary-coded decimal, least
    significant pair of digits first, then 1 for minus. Raises ValueError."""
    if len(data) != 3 or data[2] > 1:
        raise ValueError(f"{data.hex(' ')} is no offset")
    value_hz = number(data[1::-1])
    return -value_hz if data[2] else value_hz


def offset(value_hz: int) -> bytes:
    """Returns the bytes of an offset, the inverse of `offset_hz`."""
    return digits(abs(value_hz), 2)[::-1] + bytes((value_hz < 0,))


def mode_bytes(mode: str, filter_number: int = 1) -> bytes:
    """Returns mode, data flag and filter number as command 26 takes them. Raises KeyError for a
    mode that this bus does not have."""
    plain = mode.removeprefix("PKT")
    if plain != mode and plain not in ("USB", "LSB", "AM", "FM"):
        raise KeyError(mode)
    return bytes((MODES[plain], plain != mode, filter_number))


def mode_name(data: bytes) -> str | None:
    """Returns the name of the mode in an answer to command 26 (mode, data flag, filter) or 04
    (mode, filter); None: unknown."""
    name = _MODE_NAMES.get(data[0]) if data else None
    if name is not None and len(data) == 3 and data[1]:
        return f"PKT{name}"
    return name


def passband_index(mode: str, passband_hz: int) -> int:
    """Returns the index, in command 1A 03, of the passband nearest to that many Hz. As published
    for this bus: AM in steps of 200 Hz from 200 to 10000 Hz, other modes in steps of 50 Hz from 50
    to 500 Hz, then of 100 Hz to 3600 Hz."""
    if mode.endswith("AM"):
        return min(49, max(0, (passband_hz + 100) // 200 - 1))
    if passband_hz < 550:
        return min(9, max(0, (passband_hz + 25) // 50 - 1))
    return min(40, (passband_hz + 50) // 100 + 4)


def passband_hz(mode: str, index: int) -> int:
    """Returns the passband in Hz of an index, the inverse of `passband_index`. Raises ValueError
    for an index outside the table."""
    if mode.endswith("AM") and 0 <= index <= 49:
        return 200 * (index + 1)
    if not 0 <= index <= 40:
        raise ValueError(f"{index} is no passband")
    return 50 * (index + 1) if index < 10 else 100 * (index - 4)
