"""Hamlib's network rig-control protocol as values: questions to bytes, bytes to answers.

Knows the text of the protocol (rigctld(1), "Extended Response Protocol") and no socket. Every
command goes out with a leading `+`, so that the answer repeats the question and ends in a report:

    +f VFOA        ->   get_freq: VFOA / Frequency: 144100000 / RPRT 0

`Answers` takes bytes in pieces of any size and checks them against the questions that were sent. It
does not resynchronise: the first line that does not fit raises RigGarbled, and the connection must
be closed."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from moontrim_drivers.contract import RigGarbled, RigRefused, RigTimeout
from moontrim_drivers.rigctld import values
from moontrim_drivers.rigctld.reportcodes import (
    BROKEN,
    LACKS,
    POWERED_OFF,
    TIMEOUTS,
    meaning,
)

LONGEST_COMMAND = 99  # bytes; longer ones crash some versions of the daemon
LONGEST_LINE = 4096  # bytes of one line of an answer; chosen: far above any real one

# names that different versions print for the same VFO
_ALIASES = {"Main": "VFOA", "MainA": "VFOA", "Sub": "VFOB", "SubA": "VFOB", "MainB": "VFOB"}

_REPORT = re.compile(r"RPRT (-?\d{1,4})")
_SEPARATORS = re.compile(r"[;|,]")  # another client can switch some versions to one of these


# letter: its long name, as the answer repeats it, then the key and the converter of each line of
# the answer. The line of a level has no key.
_COMMANDS: dict[str, tuple[str, tuple[tuple[str, Callable[[str], Any]], ...]]] = {
    "F": ("set_freq", ()),
    "f": ("get_freq", (("Frequency: ", values.dial_hz),)),
    "I": ("set_split_freq", ()),
    "i": ("get_split_freq", (("TX Frequency: ", values.dial_hz),)),
    "V": ("set_vfo", ()),
    "S": ("set_split_vfo", ()),
    "s": ("get_split_vfo", (("Split: ", values.flag), ("TX VFO: ", str))),
    "M": ("set_mode", ()),
    "m": ("get_mode", (("Mode: ", str), ("Passband: ", values.passband_hz))),
    "X": ("set_split_mode", ()),
    "x": ("get_split_mode", (("TX Mode: ", str), ("TX Passband: ", values.passband_hz))),
    "T": ("set_ptt", ()),
    "t": ("get_ptt", (("PTT: ", values.flag),)),
    "L": ("set_level", ()),
    "l": ("get_level", (("", values.level),)),
    "j": ("get_rit", (("RIT: ", values.offset_hz),)),
    "z": ("get_xit", (("XIT: ", values.offset_hz),)),
    "J": ("set_rit", ()),
    "Z": ("set_xit", ()),
    "R": ("set_rptr_shift", ()),
    "r": ("get_rptr_shift", (("Rptr Shift: ", values.repeater_shift),)),
}


@dataclass(frozen=True, slots=True)
class Question:
    """One command: its letter and its arguments, with the VFO first where it names one."""

    letter: str
    arguments: tuple[str, ...]

    def encode(self) -> bytes:
        """Returns the line to send, line end included. Raises ValueError if it is not fit to be
        sent."""
        for argument in self.arguments:
            if not re.fullmatch(r"[A-Za-z0-9.-]+", argument):
                raise ValueError(f"argument {argument!r} of {self.letter} is not fit for the wire")
        line = f"+{' '.join((self.letter, *self.arguments))}\n".encode("ascii")
        if len(line) > LONGEST_COMMAND:
            raise ValueError(f"command of {len(line)} bytes; allowed: {LONGEST_COMMAND}")
        return line

    def __str__(self) -> str:
        return " ".join((_COMMANDS[self.letter][0], *self.arguments))


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to one question.

    code: of the report; 0: done. values: in the order of their lines: a dial or passband in Hz as
    int, a state as bool, a level as float, a name as str; none if refused."""

    question: Question
    code: int
    values: tuple[Any, ...]

    @property
    def refused(self) -> bool:
        """Whether the report is anything but success."""
        return self.code != 0

    def refusal(self) -> RigRefused:
        """Returns the error to raise for a refused question."""
        return RigRefused(f"{self.question}: {meaning(self.code)}")


def optional(answer: Answer) -> tuple[Any, ...]:
    """Returns the values of an answer; none where the radio lacks that. Raises any other
    refusal."""
    if answer.refused and answer.code not in LACKS:
        raise answer.refusal()
    return answer.values


def ask(letter: str, *arguments: str | int) -> Question:
    """Returns a question, such as ask("F", "VFOA", 144_100_000)."""
    return Question(letter, tuple(str(argument) for argument in arguments))


class AnswerLines:
    """Splits bytes in pieces of any size into whole lines of bounded length. A subclass takes the
    lines and sets `finished` after the last one. An unfinished line is never used."""

    def __init__(self) -> None:
        self._partial = b""
        self.finished = False

    def feed(self, data: bytes) -> None:
        """Takes more bytes. Raises RigGarbled at the first line that does not fit, RigTimeout for
        a report that means one."""
        *lines, self._partial = (self._partial + data).split(b"\n")
        for line in lines:
            self._check_length(line)
            if not line.isascii():
                raise RigGarbled(f"not text: {shown(line)}")
            for part in _SEPARATORS.split(line.decode("ascii").rstrip("\r").rstrip(";|,")):
                if self.finished:
                    raise RigGarbled(f"more than was asked for: {shown(line)}")
                self.take(part.strip())
        self._check_length(self._partial)
        if self.finished and self._partial:
            raise RigGarbled(f"more than was asked for: {shown(self._partial)}")

    def take(self, line: str) -> None:
        """Takes one line, without its end."""
        raise NotImplementedError

    def _check_length(self, line: bytes) -> None:
        if len(line) > LONGEST_LINE:
            raise RigGarbled(f"a line of more than {LONGEST_LINE} bytes: {shown(line)}")


class Answers(AnswerLines):
    """Collects the answers to questions, in the order of the questions."""

    def __init__(self, questions: tuple[Question, ...]) -> None:
        super().__init__()
        self.answers: list[Answer] = []
        self._questions = questions
        self._header_came = False
        self._values: list[str] = []
        self.finished = not questions

    def take(self, line: str) -> None:
        question = self._questions[len(self.answers)]
        if not self._header_came:
            if not _repeats(line, question):
                raise RigGarbled(f"asked {question}, answered {shown(line.encode())}")
            self._header_came = True
        elif report := _REPORT.fullmatch(line):
            self._end(question, int(report[1]))
        else:
            self._value(question, line)

    def _value(self, question: Question, line: str) -> None:
        due = _COMMANDS[question.letter][1]
        place = len(self._values)
        if place >= len(due) or not line.startswith(due[place][0]):
            raise RigGarbled(f"asked {question}, answered {shown(line.encode())}")
        self._values.append(line.removeprefix(due[place][0]))

    def _end(self, question: Question, code: int) -> None:
        due = _COMMANDS[question.letter][1]
        if code == 0 and due and not self._values:
            code = POWERED_OFF  # some versions report success without a value then
        if code in TIMEOUTS:
            raise RigTimeout(f"{question}: {meaning(code)}")
        if code in BROKEN:
            raise RigGarbled(f"{question}: {meaning(code)}")
        values: tuple[Any, ...] = ()
        if code == 0:
            try:
                values = tuple(
                    convert(text) for (_, convert), text in zip(due, self._values, strict=True)
                )
            except ValueError:
                raise RigGarbled(f"asked {question}, answered {self._values}") from None
        self.answers.append(Answer(question, code, values))
        self._header_came, self._values = False, []
        self.finished = len(self.answers) == len(self._questions)


class Greeting(AnswerLines):
    """The first exchange: requests commands that name their VFO, and asks whether they now do.

    The first report is ignored on purpose: some versions report "not available" and do it. These
    two commands are sent without `+`, with which some versions answer the second one wrongly.
    """

    BYTES = b"\\set_vfo_opt 1\n\\chk_vfo\n"

    def __init__(self) -> None:
        super().__init__()
        self.names_vfo = False
        self._reported = False

    def take(self, line: str) -> None:
        if not self._reported:
            if not _REPORT.fullmatch(line):
                raise RigGarbled(f"this is no rig-control daemon: {shown(line.encode())}")
            self._reported = True
            return
        line = line.removeprefix("ChkVFO: ")
        if line not in ("0", "1") and not _REPORT.fullmatch(line):
            raise RigGarbled(f"asked chk_vfo, answered {shown(line.encode())}")
        self.names_vfo = line == "1"
        self.finished = True


def shown(data: bytes) -> str:
    """Returns the first bytes as printable text for a message."""
    return ascii(data[:40].decode("latin-1")) + ("..." if len(data) > 40 else "")


def _repeats(line: str, question: Question) -> bool:
    name, _, rest = line.partition(":")
    arguments = rest.split()
    return (
        name == _COMMANDS[question.letter][0]
        and len(arguments) == len(question.arguments)
        and all(map(_same, arguments, question.arguments))
    )


def _same(repeated: str, sent: str) -> bool:
    """Whether an argument is repeated: VFOs by any of their names, numbers in any notation."""
    if _ALIASES.get(repeated, repeated) == _ALIASES.get(sent, sent):
        return True
    try:
        return float(repeated) == float(sent)
    except ValueError:
        return False
