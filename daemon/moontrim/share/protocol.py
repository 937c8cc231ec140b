"""Hamlib's network protocol as text: a client's bytes to commands and their arguments, and values
to the bytes of an answer (rigctld(1), "Protocol"). Pure.

Stricter than Hamlib's own server where that one guesses: a line counts only with its end, and as a
whole; commands and arguments stand between blanks; an argument never comes from the next line. What
is refused is always answered, since a client waits long for an answer that never comes."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from moontrim.share.commandtable import BY_LETTER, BY_NAME, REST, CommandShape

LONGEST_LINE = 256  # bytes; chosen: the longest one of Hamlib's client is below 100
MOST_COMMANDS = 32  # on one line; chosen: so that one line cannot occupy the daemon for long

# RPRT codes (rig_errcode_e in Hamlib's rig.h). The time-out is the only one that makes a client
# reopen its radio.
OK = 0
INVALID = -1
TIMED_OUT = -5
REJECTED = -9
NOT_AVAILABLE = -11

_SEPARATORS = "+;|,"
_LONG_NAME = re.compile(r"\\[a-zA-Z0-9_]{1,40}")


HIGHEST_HZ = 1e12  # chosen: above every amateur band (the highest ends at 250 GHz)
WIDEST_PASSBAND_HZ = 1_000_000  # chosen: above every radio's filters
_MODE = re.compile(r"[A-Z0-9-]{1,12}")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?")
# Names of VFOs (rig_parse_vfo in Hamlib's misc.c), by which of the two it stands for.
_FIRST = frozenset({"VFOA", "Main", "MainA", "RX"})
_SECOND = frozenset({"VFOB", "Sub", "SubA", "MainB", "TX"})
_PRESENT = frozenset({"currVFO", "VFO"})


class Malformed(Exception):
    """Raised for a line with something in it that is no command; none of its commands is carried
    out. code: the one report that the line gets."""

    def __init__(self, code: int = INVALID) -> None:
        self.code = code


class TooLong(Exception):
    """Raised for more bytes than a line may have, without an end of line."""


@dataclass(frozen=True, slots=True)
class ClientCommand:
    """One command of a client.

    vfo: the one named in explicit-VFO mode, else empty. separator: between the records of an
    extended answer; empty for a plain answer. complete: it has all its arguments."""

    shape: CommandShape
    arguments: tuple[str, ...] = ()
    vfo: str = ""
    separator: str = ""
    complete: bool = True


@dataclass(slots=True)
class LineBuffer:
    """Collects bytes in pieces of any size and returns them by whole lines. A line without its end
    is never returned."""

    waiting: bytearray = field(default_factory=bytearray)

    def next(self) -> bytes | None:
        """Removes and returns the next line, without its end; None until there is one. Raises
        TooLong."""
        end = self.waiting.find(b"\n", 0, LONGEST_LINE)
        if end < 0:
            if len(self.waiting) >= LONGEST_LINE:
                raise TooLong
            return None
        line = bytes(self.waiting[:end])
        del self.waiting[: end + 1]
        return line

    def whole_lines(self) -> Iterator[bytes]:
        """Yields the complete lines without removing them."""
        yield from bytes(self.waiting).split(b"\n")[:-1]


def read_line(line: bytes, names_vfo: bool) -> tuple[ClientCommand, ...]:
    """Returns the commands of one line, which may be none. Raises Malformed.

    names_vfo: is the connection in explicit-VFO mode before this line."""
    text = line.removesuffix(b"\r")
    if not all(0x20 <= byte < 0x7F or byte == 0x09 for byte in text):
        raise Malformed
    tokens = text.decode("ascii").split()
    commands: list[ClientCommand] = []
    while tokens:
        if len(commands) == MOST_COMMANDS:
            raise Malformed
        command = _take(tokens, names_vfo)
        if command.shape.name == "set_vfo_opt" and command.arguments in (("0",), ("1",)):
            names_vfo = command.arguments == ("1",)
        commands.append(command)
    return tuple(commands)


def _take(tokens: list[str], names_vfo: bool) -> ClientCommand:
    """Removes one command and its arguments from the front and returns it. Raises Malformed."""
    token = tokens.pop(0)
    separator = ""
    if token[0] in _SEPARATORS:
        separator, token = ("\n" if token[0] == "+" else token[0]), token[1:]
    shape = BY_NAME.get(token[1:]) if token.startswith("\\") else BY_LETTER.get(token)
    if shape is None:  # an unknown long name may be one of a later version
        raise Malformed(NOT_AVAILABLE if _LONG_NAME.fullmatch(token) else INVALID)
    vfo = tokens.pop(0) if names_vfo and shape.vfo and tokens else ""
    count = len(tokens) if shape.arguments == REST else shape.arguments
    arguments, tokens[:] = tuple(tokens[:count]), tokens[count:]
    complete = len(arguments) == count and bool(vfo or not (names_vfo and shape.vfo))
    return ClientCommand(shape, arguments, vfo, separator, complete)


def answer(command: ClientCommand, code: int, values: Iterable[str] = ()) -> bytes:
    """Returns the answer to one command: its values, or the report with this code."""
    values = tuple(values) if code == OK else ()
    if not command.separator:
        lines = list(values)
        # Hamlib's own server ends this one answer with a report, and its client counts on it.
        if not values or command.shape.name == "get_lock_mode":
            lines.append(f"RPRT {code}")
        return "".join(f"{line}\n" for line in lines).encode("ascii", "replace")
    echoed = " ".join(token for token in (command.vfo, *command.arguments) if token)
    head = f"{command.shape.name}: {echoed}" if echoed else f"{command.shape.name}:"
    labelled = map("".join, zip(command.shape.labels, values, strict=True)) if values else ()
    records = command.separator.join((head, *labelled, f"RPRT {code}"))
    return f"{records}\n".encode("ascii", "replace")


def report(code: int) -> bytes:
    """Returns the answer to a line that is no command."""
    return f"RPRT {code}\n".encode()


def is_web_request(line: bytes) -> bool:
    """Is this the first line of an HTTP request? Then a web page made a browser connect."""
    return line.rstrip().endswith((b" HTTP/1.1", b" HTTP/1.0"))


# --- arguments ------------------------------------------------------------------------------------


def is_mode(text: str) -> bool:
    """Could this be the name of a mode? Whether it is one, the radio decides."""
    return _MODE.fullmatch(text) is not None


def second_vfo(name: str, selected: bool) -> bool | None:
    """Does this name stand for the second VFO? None if it is no name of a VFO.

    selected: the second VFO is the present one."""
    if name in _PRESENT:
        return selected
    if name in _FIRST or name in _SECOND:
        return name in _SECOND
    return None


def number(text: str) -> float | None:
    """Returns a finite decimal number; None if the text is none."""
    value = float(text) if _NUMBER.fullmatch(text) else math.inf
    return value if math.isfinite(value) else None


def hertz(text: str) -> int | None:
    """Returns a frequency in Hz, to the nearest whole hertz; None if the text is none."""
    value = number(text)
    return whole_hz(value) if value is not None and 0.5 <= value < HIGHEST_HZ else None


def passband(text: str) -> int | None:
    """Returns a passband in Hz (0 the mode's normal one, -1 unchanged); None if it is none."""
    value = number(text)
    return whole_hz(value) if value is not None and -1 <= value <= WIDEST_PASSBAND_HZ else None


def whole_hz(hz: float) -> int:
    """Returns a frequency rounded half up, so that what is set and what is shown round alike."""
    return math.floor(hz + 0.5)
