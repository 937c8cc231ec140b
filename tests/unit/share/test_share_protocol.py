"""Bytes to commands and values to bytes, against what Hamlib's rigctld 4.5.4 and rigctld(1) say."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moontrim.share.commandtable import BY_LETTER, BY_NAME, SERVED
from moontrim.share.protocol import (
    INVALID,
    LONGEST_LINE,
    NOT_AVAILABLE,
    LineBuffer,
    Malformed,
    TooLong,
    answer,
    is_web_request,
    read_line,
)


def named(line: bytes, names_vfo: bool = False) -> list[tuple[str, ...]]:
    return [
        (command.shape.name, command.vfo, *command.arguments)
        for command in read_line(line, names_vfo)
    ]


@pytest.mark.parametrize(
    ("line", "commands"),
    [
        (b"", []),
        (b"  \t ", []),
        (b"f", [("get_freq", "")]),
        (b"\\get_freq\r", [("get_freq", "")]),
        (b" F\t144100000 ", [("set_freq", "", "144100000")]),
        (b"f v m", [("get_freq", ""), ("get_vfo", ""), ("get_mode", "")]),
        (
            b"F 144111111 f I 144222222 i",
            [
                ("set_freq", "", "144111111"),
                ("get_freq", ""),
                ("set_split_freq", "", "144222222"),
                ("get_split_freq", ""),
            ],
        ),
        (b"S 1 VFOB", [("set_split_vfo", "", "1", "VFOB")]),
        (b"\\send_morse  f t T 1", [("send_morse", "", "f", "t", "T", "1")]),
        (b"e ", [("get_mem", "")]),
    ],
)
def test_lines(line: bytes, commands: list[tuple[str, ...]]) -> None:
    assert named(line) == commands


def test_explicit_vfo_mode() -> None:
    assert named(b"f VFOA T VFOB 1", True) == [("get_freq", "VFOA"), ("set_ptt", "VFOB", "1")]
    assert named(b"S VFOA 1 VFOB", True) == [("set_split_vfo", "VFOA", "1", "VFOB")]
    for line in (b"V VFOB", b"v", b"_", b"\\chk_vfo", b"\\dump_state", b"\\get_powerstat"):
        assert named(line, True) == named(line, False), "never names a VFO of its own"
    assert named(b"\\set_vfo_opt 1 f VFOA \\set_vfo_opt 0 f") == [
        ("set_vfo_opt", "", "1"),
        ("get_freq", "VFOA"),
        ("set_vfo_opt", "", "0"),
        ("get_freq", ""),
    ]
    (without,) = read_line(b"f", True)
    assert not without.complete


@pytest.mark.parametrize(
    "line",
    [
        b"F144111115",  # Hamlib's own server would set 44111115 Hz
        b"fvm",
        b"F 144100000 junk",
        b"144100000",
        b"@",
        b"+",
        b"\\",
        b"f\x00",
        b"\xf1",  # the code of `halt` there
        b"F 1441\xb2",
        b"f " * 33,
    ],
)
def test_nothing_of_a_line_with_something_wrong_in_it(line: bytes) -> None:
    with pytest.raises(Malformed) as caught:
        read_line(line, False)
    assert caught.value.code == INVALID


def test_a_command_of_a_later_version_is_not_available() -> None:
    with pytest.raises(Malformed) as caught:
        read_line(b"\\get_something_new", False)
    assert caught.value.code == NOT_AVAILABLE


@pytest.mark.parametrize("line", [b"F", b"S 1", b"M USB", b"T", b"K 144100000 USB"])
def test_an_argument_does_not_come_from_the_next_line(line: bytes) -> None:
    (command,) = read_line(line, False)
    assert not command.complete


@pytest.mark.parametrize(
    ("line", "code", "values", "expected"),
    [
        # as rigctld 4.5.4 answered, but for the values
        (b"f", 0, ["144100000"], b"144100000\n"),
        (b"+f", 0, ["144100000"], b"get_freq:\nFrequency: 144100000\nRPRT 0\n"),
        (b";f", 0, ["144100000"], b"get_freq:;Frequency: 144100000;RPRT 0\n"),
        (b"|m", 0, ["USB", "2400"], b"get_mode:|Mode: USB|Passband: 2400|RPRT 0\n"),
        (b",s", 0, ["1", "VFOB"], b"get_split_vfo:,Split: 1,TX VFO: VFOB,RPRT 0\n"),
        (b"F 144123456", 0, [], b"RPRT 0\n"),
        (b"+F 144123456", 0, [], b"set_freq: 144123456\nRPRT 0\n"),
        (b"+\\set_mode USB 2400", 0, [], b"set_mode: USB 2400\nRPRT 0\n"),
        (b"|M USB 2400", 0, [], b"set_mode: USB 2400|RPRT 0\n"),
        (b"s", 0, ["1", "VFOB"], b"1\nVFOB\n"),
        (b"+l RFPOWER", 0, ["0.500000"], b"get_level: RFPOWER\n0.500000\nRPRT 0\n"),
        (b"\\get_lock_mode", 0, ["0"], b"0\nRPRT 0\n"),
        (b"+\\get_lock_mode", 0, ["0"], b"get_lock_mode:\nLocked: 0\nRPRT 0\n"),
        (b"m", -11, [], b"RPRT -11\n"),
        (b"+m", -11, [], b"get_mode:\nRPRT -11\n"),
        (b"F abc", -1, [], b"RPRT -1\n"),
        (
            b"+k",
            0,
            ["144100000", "USB", "2400"],
            b"get_split_freq_mode:\nTX Frequency: 144100000\nTX Mode: USB\nTX Passband: 2400\n"
            b"RPRT 0\n",
        ),
        (
            b"+\\get_vfo_info VFOA",
            0,
            ["144100000", "USB", "2400", "1", "0"],
            b"get_vfo_info: VFOA\nFreq: 144100000\nMode: USB\nWidth: 2400\nSplit: 1\nSatMode: 0\n"
            b"RPRT 0\n",
        ),
    ],
)
def test_answers(line: bytes, code: int, values: list[str], expected: bytes) -> None:
    (command,) = read_line(line, False)
    assert answer(command, code, values) == expected


def test_an_extended_answer_repeats_the_vfo() -> None:
    (command,) = read_line(b"+F VFOA 144123456", True)
    assert answer(command, 0) == b"set_freq: VFOA 144123456\nRPRT 0\n"


def test_every_name_is_there_once() -> None:
    assert len(BY_LETTER) == len({command.letter for command in BY_LETTER.values()})
    assert set(BY_NAME) >= SERVED


def test_a_browser_is_recognised() -> None:
    assert is_web_request(b"POST / HTTP/1.1\r")
    assert not is_web_request(b"F 144100000")


@given(st.lists(st.binary(max_size=40)))
def test_lines_come_whole_however_the_bytes_do(pieces: list[bytes]) -> None:
    data = b"".join(pieces)
    buffer, lines = LineBuffer(), []
    for piece in pieces:
        buffer.waiting += piece
        assert list(buffer.whole_lines()) == bytes(buffer.waiting).split(b"\n")[:-1]
        try:
            while (line := buffer.next()) is not None:
                lines.append(line)
        except TooLong:
            assert max(map(len, data.split(b"\n"))) >= LONGEST_LINE
            return
    assert lines == data.split(b"\n")[:-1], "and what has no end is never used"


def test_a_line_without_end_is_too_long() -> None:
    buffer = LineBuffer(bytearray(b"F" * LONGEST_LINE))
    with pytest.raises(TooLong):
        buffer.next()
    buffer = LineBuffer(bytearray(b"F" * (LONGEST_LINE - 1) + b"\n"))
    assert buffer.next() == b"F" * (LONGEST_LINE - 1)


@given(st.binary(max_size=300).filter(lambda line: b"\n" not in line), st.booleans())
def test_any_bytes_are_commands_or_malformed(line: bytes, names_vfo: bool) -> None:
    try:
        commands = read_line(line, names_vfo)
    except Malformed:
        return
    for command in commands:
        for code in (0, -1):
            values = [""] * len(command.shape.labels)
            assert answer(command, code, values).endswith(b"\n")


words = st.sampled_from([*BY_LETTER, *(f"\\{name}" for name in BY_NAME), "VFOA", "1", "USB", "x"])


@given(st.lists(words, max_size=12), st.sampled_from(["", "+", ";", "|", ","]), st.booleans())
def test_what_is_read_is_what_is_there(parts: list[str], prefix: str, names_vfo: bool) -> None:
    """No word is lost, none made up, none used twice."""
    line = " ".join(prefix + part for part in parts)
    try:
        commands = read_line(line.encode(), names_vfo)
    except Malformed:
        return
    again = [
        word
        for command in commands
        for word in (f"\\{command.shape.name}", command.vfo, *command.arguments)
        if word
    ]
    short = {f"\\{command.name}": command.letter for command in BY_LETTER.values()}
    assert len(again) == len(parts)
    for seen, part in zip(again, parts, strict=True):
        assert seen.removeprefix(prefix) == part or short.get(seen) == part
