"""Checks the answers that a client of the share received: one to each request, in order, in the
form of rigctld(1). It looks at both sides of a conversation afterwards."""

from __future__ import annotations

import re

from fuzz.target import DefectError, hold
from moontrim.share.protocol import (
    LONGEST_LINE,
    ClientCommand,
    Malformed,
    is_web_request,
    read_line,
)

_REPORT = re.compile(rb"RPRT (-?\d+)\n")
# One value a line. An extended answer: name, arguments, values, report, with a separator between.
_LINES = {count: re.compile(rb"(?:[^\n]*\n){%d}" % count) for count in range(1, 6)}
_EXTENDED = {
    sign: re.compile(
        rb"(\w+):[^\n]*?%b(?:(.*?)%b)??RPRT (-?\d+)\n" % (2 * (re.escape(parting),)), re.DOTALL
    )
    for sign, parting in (("\n", b"\n"), (";", b";"), ("|", b"|"), (",", b","))
}
# Ranges to receive and to transmit, each with its end mark; then modes, two more end marks, six
# settings and six masks; to a client that asks by chk_vfo first, names and values up to `done`.
_DUMP = re.compile(
    rb"(?:0\n2\n0\n(?:\d[^\n]*\n)*?0 0 0 0 0 0 0\n(?:\d[^\n]*\n)*?0 0 0 0 0 0 0\n(?:[^\n]*\n){15}"
    rb"|1\n2\n0\n.*?\ndone\n)",
    re.DOTALL,
)
_FREQUENCIES = {"get_freq", "get_split_freq", "get_split_freq_mode", "get_vfo_info"}
_HERTZ = re.compile(rb"(?:[A-Za-z ]+: )?(\d+)(?![\d.])")  # perhaps after its label
_UNKEY_LINE = re.compile(rb"^[ \t]*[+;|,]?(?:T|\\set_ptt)[ \t]+0[ \t]*\r?\n", re.MULTILINE)
_KEY = re.compile(rb"[+;|,]?(?:T|\\set_ptt)[ \t]+(?:[A-Za-z]+[ \t]+)?[123]\b")


def unkeys_last(heard: bytes) -> bool:
    """Is the last command about transmitting, in a line by itself, to stop? False where
    explicit-VFO mode, which adds an argument, may have changed."""
    last = max((match.end() for match in _UNKEY_LINE.finditer(heard)), default=None)
    return last is not None and b"set_vfo_opt" not in heard and not _KEY.search(heard, last)


def judge_answers(heard: bytes, answers: bytes, *, whole: bool) -> int:
    """Returns how many transmit requests were granted. Raises DefectError for a wrong answer.
    whole: none may be missing."""
    talk = _Talk(answers)
    *lines, unfinished = heard.split(b"\n")
    if len(unfinished) >= LONGEST_LINE:
        lines.append(unfinished)
    for line in lines:
        if len(line) >= LONGEST_LINE:
            if whole or not talk.at_end:
                hold(talk.report() < 0, "a line too long is taken")
            break
        if is_web_request(line) or not talk.hears(line, whole) or talk.over:
            break
    talk.finish()
    return talk.granted


class _Talk:
    """The answers of one conversation, checked up to `at`."""

    def __init__(self, answers: bytes) -> None:
        self.at, self.over, self.granted = 0, False, 0
        self._answers, self._names_vfo = answers, False

    @property
    def at_end(self) -> bool:
        return self.at == len(self._answers)

    def hears(self, line: bytes, whole: bool) -> bool:
        """Takes the answers to one line; False if there are none left, where that is allowed."""
        try:
            commands = read_line(line, self._names_vfo)
        except Malformed:
            if self.at_end and not whole:
                return False
            hold(self.report() < 0, f"{line!r} is taken")
            return True
        for command in commands:
            if self.at_end and not whole:
                return False
            code = self._answer(command)
            name, arguments = command.shape.name, command.arguments
            if name == "set_vfo_opt" and code == 0:
                self._names_vfo = arguments == ("1",)
            self.granted += name == "set_ptt" and code == 0 and arguments != ("0",)
            if name in ("quit", "exit") and code == 0:
                self.over = True
                break
        return True

    def report(self) -> int:
        return int(self._next(_REPORT, "no report")[1])

    def finish(self) -> None:
        hold(self.at_end, f"nobody asked for {self._rest()!r}")

    def _rest(self) -> bytes:
        return self._answers[self.at : self.at + 80]

    def _next(self, pattern: re.Pattern[bytes], missing: str) -> re.Match[bytes]:
        match = pattern.match(self._answers, self.at)
        if match is None:
            raise DefectError(f"{missing}, but {self._rest()!r}")
        self.at = match.end()
        return match

    def _answer(self, command: ClientCommand) -> int:
        """Takes the answer to one command; returns its code, 0 for values."""
        name, labels = command.shape.name, command.shape.labels
        if command.separator:
            match = self._next(_EXTENDED[command.separator], f"no answer to {name}")
            hold(match[1] == name.encode(), f"{name} is answered by {match[0]!r}")
            if int(match[3]) == 0 and labels:
                self._judge_values(name, match[2])
            return int(match[3])
        if not labels or self._answers.startswith(b"RPRT ", self.at):
            code = self.report()
            hold(code < 0 or not labels, f"{name} has no value")
            return code
        pattern = _DUMP if name == "dump_state" else _LINES[len(labels)]
        self._judge_values(name, self._next(pattern, f"no answer to {name}")[0])
        return self.report() if name == "get_lock_mode" else 0

    def _judge_values(self, name: str, values: bytes) -> None:
        if name == "get_info":  # free text
            return
        tokens = values.lower().split()
        hold(not {b"nan", b"inf", b"-inf", b"none"}.intersection(tokens), f"{name}: {values!r}")
        if name in _FREQUENCIES:
            match = _HERTZ.search(values)
            hold(match and 0 < int(match[1]) <= 10**12, f"{name}: {values!r}")
