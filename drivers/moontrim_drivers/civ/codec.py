"""Frames of the addressed binary bus, as values: to bytes and from bytes. Pure.

    FE FE | to | from | command, sub-command, data ... | FD

A controller asks, a radio answers: with the same command and data, with FB (done) or with FA (no).
Numbers are binary-coded decimal, two digits a byte. On a bus of one wire everything sent comes back
first, and FC means that two spoke at once. A frame to address 00 is for everybody; that is how a
radio tells that its knob was turned.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

PREAMBLE, END, JAM = 0xFE, 0xFD, 0xFC
DONE, NO = b"\xfb", b"\xfa"
EVERYBODY = 0x00
LONGEST_BODY = 64

DIAL_DIGITS = 10
HIGHEST_DIAL_HZ = 10**DIAL_DIGITS - 1

# mode bytes as published for this bus; a data mode is USB or LSB with a flag beside it
MODES = {"LSB": 0, "USB": 1, "AM": 2, "CW": 3, "RTTY": 4, "FM": 5, "CWR": 7, "RTTYR": 8}
_MODE_NAMES = {number: name for name, number in MODES.items()}


@dataclass(frozen=True, slots=True)
class Frame:
    """to, sender: addresses. body: command, sub-command and data, 1 to 64 bytes below FC."""

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
        return bytes((PREAMBLE, PREAMBLE, self.to, self.sender)) + self.body + bytes((END,))

    @classmethod
    def from_bytes(cls, data: bytes) -> Frame:
        """One whole frame and nothing else. Raises ValueError."""
        splitter = FrameSplitter()
        found = list(splitter.feed(data))
        if len(found) != 1 or found[0] is None or found[0].to_bytes() != data:
            raise ValueError(f"{data.hex(' ')} is not one frame")
        return found[0]


class FrameSplitter:
    """Frames out of bytes in any pieces. What is no frame is skipped and kept in `noise`, the first
    64 bytes of it; a new preamble begins a new frame, whatever was before."""

    def __init__(self) -> None:
        self.noise = b""
        self._leads = 0
        self._body: bytearray | None = None

    def feed(self, data: bytes) -> Iterator[Frame | None]:
        """Each whole frame, and None for each FC (two spoke at once)."""
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
    """A number as binary-coded decimal of that many bytes, most significant first. Raises
    ValueError if it does not fit."""
    if not 0 <= value < 100**length:
        raise ValueError(f"{value} does not fit into {2 * length} digits")
    return bytes.fromhex(f"{value:0{2 * length}d}")


def number(data: bytes) -> int:
    """The opposite of `digits`. Raises ValueError for what is no decimal digit."""
    text = data.hex()
    if not (text.isascii() and text.isdigit()):
        raise ValueError(f"{data.hex(' ')} is no binary-coded decimal")
    return int(text)


def dial(value_hz: int) -> bytes:
    """A dial in whole Hz, 0 to 9,999,999,999, least significant pair of digits first."""
    return digits(value_hz, DIAL_DIGITS // 2)[::-1]


def dial_hz(data: bytes) -> int:
    """The opposite of `dial`. Raises ValueError, also for another length."""
    if len(data) != DIAL_DIGITS // 2:
        raise ValueError(f"a dial of {len(data)} bytes; allowed: {DIAL_DIGITS // 2}")
    return number(data[::-1])


def level(fraction: float) -> bytes:
    """A level, 0 to 1, as the nearest of 0 to 255 in four digits."""
    return digits(round(255 * fraction), 2)


def level_fraction(data: bytes) -> float:
    """The opposite of `level`. Raises ValueError, also above 255."""
    value = number(data)
    if len(data) != 2 or value > 255:
        raise ValueError(f"{data.hex(' ')} is no level")
    return value / 255


def mode_bytes(mode: str, filter_number: int = 1) -> bytes:
    """Mode, data flag and filter number, as command 26 takes them. Raises KeyError for a mode that
    this bus does not have."""
    plain = mode.removeprefix("PKT")
    if plain != mode and plain not in ("USB", "LSB", "AM", "FM"):
        raise KeyError(mode)
    return bytes((MODES[plain], plain != mode, filter_number))


def mode_name(data: bytes) -> str | None:
    """The mode of an answer to 26 (mode, data flag, filter) or 04 (mode, filter); None: unknown."""
    name = _MODE_NAMES.get(data[0]) if data else None
    if name is not None and len(data) == 3 and data[1]:
        return f"PKT{name}"
    return name


def passband_index(mode: str, passband_hz: int) -> int:
    """The index, in command 1A 03, of the passband nearest to that many Hz. As published for this
    bus: AM in steps of 200 Hz from 200 to 10000, others in 50 Hz from 50 to 500, then in 100 Hz to
    3600."""
    if mode.endswith("AM"):
        return min(49, max(0, (passband_hz + 100) // 200 - 1))
    if passband_hz < 550:
        return min(9, max(0, (passband_hz + 25) // 50 - 1))
    return min(40, (passband_hz + 50) // 100 + 4)


def passband_hz(mode: str, index: int) -> int:
    """The opposite of `passband_index`, in Hz. Raises ValueError for an index that is none."""
    if mode.endswith("AM") and 0 <= index <= 49:
        return 200 * (index + 1)
    if not 0 <= index <= 40:
        raise ValueError(f"{index} is no passband")
    return 50 * (index + 1) if index < 10 else 100 * (index - 4)
