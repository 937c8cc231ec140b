"""Bytes of a client to commands, and values to bytes of an answer. Pure.

Owns the text of Hamlib's network protocol (rigctld(1), "Protocol") as a server speaks it. Stricter
than Hamlib's own server where that one does things nobody asked for: a line counts only with its
end, and as a whole; each command stands alone between blanks; an argument never comes from the next
line. What is refused is always answered, since a client waits long for an answer that never comes.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from moontrim.share.commandtable import BY_LETTER, BY_NAME, REST, CommandShape

LONGEST_LINE = 256  # bytes; the longest one of Hamlib's client is below 100
MOST_COMMANDS = 32  # on one line

# RPRT codes (rig_errcode_e in Hamlib's rig.h). None of them makes a client reopen its radio but the
# time-out.
OK = 0
INVALID = -1
TIMED_OUT = -5
REJECTED = -9
NOT_AVAILABLE = -11

_SEPARATORS = "+;|,"
_LONG_NAME = re.compile(r"\\[a-zA-Z0-9_]{1,40}")


class Malformed(Exception):
    """A line with something in it that is no command; nothing of it is carried out. code: the one
    report it gets."""

    def __init__(self, code: int = INVALID) -> None:
        self.code = code


class TooLong(Exception):
    """More bytes than any line has, and no end of it."""


@dataclass(frozen=True, slots=True)
class ClientLine:
    """One command as it came. separator: what parts an extended answer; empty for a plain one. vfo:
    as named in explicit-VFO mode, else empty. complete: has all its arguments."""

    command: CommandShape
    arguments: tuple[str, ...] = ()
    vfo: str = ""
    separator: str = ""
    complete: bool = True


@dataclass(slots=True)
class LineBuffer:
    """Whole lines out of bytes in any pieces. An unfinished line is never used."""

    waiting: bytearray = field(default_factory=bytearray)

    def next(self) -> bytes | None:
        """The next line without its end; None until there is one. Raises TooLong."""
        end = self.waiting.find(b"\n", 0, LONGEST_LINE)
        if end < 0:
            if len(self.waiting) >= LONGEST_LINE:
                raise TooLong
            return None
        line = bytes(self.waiting[:end])
        del self.waiting[: end + 1]
        return line

    def whole_lines(self) -> Iterator[bytes]:
        """The lines to come, left where they are."""
        yield from bytes(self.waiting).split(b"\n")[:-1]


def read_line(line: bytes, names_vfo: bool) -> tuple[ClientLine, ...]:
    """The commands of one line, which may be none. names_vfo: explicit-VFO mode, as it is before
    the line. Raises Malformed."""
    text = line.removesuffix(b"\r")
    if not all(0x20 <= byte < 0x7F or byte == 0x09 for byte in text):
        raise Malformed
    words = text.decode("ascii").split()
    commands: list[ClientLine] = []
    while words:
        if len(commands) == MOST_COMMANDS:
            raise Malformed
        asked = _take(words, names_vfo)
        if asked.command.name == "set_vfo_opt" and asked.arguments in (("0",), ("1",)):
            names_vfo = asked.arguments == ("1",)
        commands.append(asked)
    return tuple(commands)


def _take(words: list[str], names_vfo: bool) -> ClientLine:
    """Take one command and its arguments off the front."""
    word = words.pop(0)
    separator = ""
    if word[0] in _SEPARATORS:
        separator, word = ("\n" if word[0] == "+" else word[0]), word[1:]
    found = BY_NAME.get(word[1:]) if word.startswith("\\") else BY_LETTER.get(word)
    if found is None:  # a long name we never heard of may be a later version's
        raise Malformed(NOT_AVAILABLE if _LONG_NAME.fullmatch(word) else INVALID)
    vfo = words.pop(0) if names_vfo and found.vfo and words else ""
    wanted = len(words) if found.arguments == REST else found.arguments
    arguments, words[:] = tuple(words[:wanted]), words[wanted:]
    complete = len(arguments) == wanted and bool(vfo or not (names_vfo and found.vfo))
    return ClientLine(found, arguments, vfo, separator, complete)


def answer(asked: ClientLine, code: int, values: Iterable[str] = ()) -> bytes:
    """The answer to one command: its values, or the report of how it went."""
    values = tuple(values) if code == OK else ()
    if not asked.separator:
        lines = list(values)
        # Hamlib's own server ends this one answer with a report, and its client counts on it.
        if not values or asked.command.name == "get_lock_mode":
            lines.append(f"RPRT {code}")
        return "".join(f"{line}\n" for line in lines).encode("ascii", "replace")
    echoed = " ".join(word for word in (asked.vfo, *asked.arguments) if word)
    head = f"{asked.command.name}: {echoed}" if echoed else f"{asked.command.name}:"
    labelled = map("".join, zip(asked.command.labels, values, strict=True)) if values else ()
    records = asked.separator.join((head, *labelled, f"RPRT {code}"))
    return f"{records}\n".encode("ascii", "replace")


def report(code: int) -> bytes:
    """The answer to what was no command."""
    return f"RPRT {code}\n".encode()


def is_web_request(line: bytes) -> bool:
    """A browser, led here by a page, and not a radio program."""
    return line.rstrip().endswith((b" HTTP/1.1", b" HTTP/1.0"))


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


def whole_hz(hz: float) -> int:
    """Rounded half up, the same both ways."""
    return math.floor(hz + 0.5)
