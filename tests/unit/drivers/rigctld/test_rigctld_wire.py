"""The network rig-control protocol, byte for byte. The answers are as rigctld 4.5.4 gave them with
its dummy radio, but where another version is named."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moontrim_drivers.contract import RigError, RigGarbled, RigRefused, RigTimeout
from moontrim_drivers.rigctld.reportcodes import meaning
from moontrim_drivers.rigctld.wire import (
    LONGEST_COMMAND,
    LONGEST_LINE,
    Answer,
    Answers,
    Greeting,
    Question,
    ask,
)

CYCLE = (
    ask("F", "VFOA", 144100001),
    ask("F", "VFOB", 144100002),
    ask("f", "VFOA"),
    ask("f", "VFOB"),
    ask("t", "VFOA"),
)
CYCLE_ANSWERED = (
    b"set_freq: VFOA 144100001\nRPRT 0\n"
    b"set_freq: VFOB 144100002\nRPRT 0\n"
    b"get_freq: VFOA\nFrequency: 144100001\nRPRT 0\n"
    b"get_freq: VFOB\nFrequency: 144100002\nRPRT 0\n"
    b"get_ptt: VFOA\nPTT: 0\nRPRT 0\n"
)


def answered(data: bytes, *questions: Question) -> list[Answer]:
    exchange = Answers(questions)
    exchange.feed(data)
    assert exchange.finished
    return exchange.answers


def test_commands_on_the_wire() -> None:
    assert b"".join(q.encode() for q in CYCLE) == (
        b"+F VFOA 144100001\n+F VFOB 144100002\n+f VFOA\n+f VFOB\n+t VFOA\n"
    )
    assert ask("F", 10368100000).encode() == b"+F 10368100000\n"
    assert ask("S", "VFOA", 1, "VFOB").encode() == b"+S VFOA 1 VFOB\n"
    assert ask("L", "VFOA", "RFPOWER", "0.250").encode() == b"+L VFOA RFPOWER 0.250\n"
    assert Greeting.BYTES == b"\\set_vfo_opt 1\n\\chk_vfo\n"


@pytest.mark.parametrize("argument", ["VFOA\nT", "VFO A", "", ";", "\xe4", "1" * LONGEST_COMMAND])
def test_what_must_never_be_sent(argument: str) -> None:
    with pytest.raises(ValueError, match=r"command of|not fit"):
        ask("F", argument).encode()


@pytest.mark.parametrize(
    ("question", "data", "values"),
    [
        (ask("f", "VFOA"), b"get_freq: VFOA\nFrequency: 145000000\nRPRT 0\n", (145000000,)),
        (ask("f"), b"get_freq:\nFrequency: 145000000\nRPRT 0\n", (145000000,)),
        (ask("i"), b"get_split_freq:\nTX Frequency: 144200000\nRPRT 0\n", (144200000,)),
        (
            ask("s", "VFOA"),
            b"get_split_vfo: VFOA\nSplit: 1\nTX VFO: VFOB\nRPRT 0\n",
            (True, "VFOB"),
        ),
        # 4.7.2
        (
            ask("s", "VFOA"),
            b"get_split_vfo: VFOA\nSplit: 0\nTX VFO: None\nRPRT 0\n",
            (False, "None"),
        ),
        (ask("m", "VFOA"), b"get_mode: VFOA\nMode: USB\nPassband: 500\nRPRT 0\n", ("USB", 500)),
        (ask("t", "VFOA"), b"get_ptt: VFOA\nPTT: 1\nRPRT 0\n", (True,)),
        (ask("t", "VFOA"), b"get_ptt: VFOA\nPTT: 3\nRPRT 0\n", (True,)),
        (ask("l", "VFOA", "RFPOWER"), b"get_level: VFOA RFPOWER\n0.250000\nRPRT 0\n", (0.25,)),
        # 4.7.2
        (ask("l", "VFOA", "RFPOWER"), b"get_level: VFOA RFPOWER\n0.5\nRPRT 0\n", (0.5,)),
        (ask("S", "VFOA", 1, "VFOB"), b"set_split_vfo: VFOA 1 VFOB\nRPRT 0\n", ()),
        (ask("T", "VFOA", 1), b"set_ptt: VFOA 1\nRPRT 0\n", ()),
        # another name for the same VFO; numbers printed otherwise; line ends; leaked separators
        (ask("f", "VFOB"), b"get_freq: Sub\nFrequency: 145000000\nRPRT 0\n", (145000000,)),
        (ask("f", "Main"), b"get_freq: VFOA\nFrequency: 145000000\nRPRT 0\n", (145000000,)),
        (ask("f", "VFOA"), b"get_freq: VFOA\nFrequency: 1.45e+08\nRPRT 0\n", (145000000,)),
        (
            ask("f", "VFOA"),
            b"get_freq: VFOA\nFrequency: 145000000.500001\nRPRT 0\n",
            (145000001,),
        ),
        (ask("F", "VFOA", 145000000), b"set_freq: VFOA 145000000.000000\nRPRT 0\n", ()),
        (ask("f", "VFOA"), b"get_freq: VFOA\r\nFrequency: 7\r\nRPRT 0\r\n", (7,)),
        (ask("f", "VFOA"), b"get_freq: VFOA;\nFrequency: 7;\nRPRT 0;\n", (7,)),
        (ask("f", "VFOA"), b"get_freq: VFOA;Frequency: 7;RPRT 0\n", (7,)),
        (ask("f", "VFOA"), b"get_freq: VFOA|Frequency: 7|RPRT 0\n", (7,)),
    ],
)
def test_answers(question: Question, data: bytes, values: tuple[object, ...]) -> None:
    assert answered(data, question) == [Answer(question, 0, values)]


def test_a_cycle_byte_by_byte() -> None:
    exchange = Answers(CYCLE)
    for at in range(len(CYCLE_ANSWERED)):
        assert not exchange.finished
        exchange.feed(CYCLE_ANSWERED[at : at + 1])
    assert exchange.finished
    assert [a.values for a in exchange.answers] == [(), (), (144100001,), (144100002,), (False,)]


@given(st.lists(st.integers(0, len(CYCLE_ANSWERED)), max_size=8).map(sorted))
def test_a_cycle_in_any_pieces(cuts: list[int]) -> None:
    exchange = Answers(CYCLE)
    for begin, end in zip([0, *cuts], [*cuts, len(CYCLE_ANSWERED)], strict=True):
        exchange.feed(CYCLE_ANSWERED[begin:end])
    assert exchange.answers == answered(CYCLE_ANSWERED, *CYCLE)


def test_one_refusal_leaves_the_rest_in_step() -> None:
    data = CYCLE_ANSWERED.replace(b"144100001\nRPRT 0", b"144100001\nRPRT -9", 1)
    answers = answered(data, *CYCLE)
    assert [a.code for a in answers] == [-9, 0, 0, 0, 0]
    assert answers[0].refused
    assert isinstance(answers[0].refusal(), RigRefused)
    assert str(answers[0].refusal()) == ("set_freq VFOA 144100001: rejected by the radio (RPRT -9)")


def test_success_without_a_value_is_a_radio_switched_off() -> None:
    (answer,) = answered(b"get_freq: VFOA\nRPRT 0\n", ask("f", "VFOA"))
    assert answer.refused
    assert "powered off" in str(answer.refusal())


@pytest.mark.parametrize(
    ("code", "error"),
    [
        (-5, RigTimeout),
        (-14, RigTimeout),
        (-3, RigGarbled),
        (-6, RigGarbled),
        (-7, RigGarbled),
        (-8, RigGarbled),
        (-13, RigGarbled),
    ],
)
def test_what_is_more_than_a_no(code: int, error: type[RigError]) -> None:
    with pytest.raises(error) as caught:
        Answers(CYCLE).feed(b"set_freq: VFOA 144100001\nRPRT %d\n" % code)
    assert meaning(code) in str(caught.value)


@pytest.mark.parametrize("code", [-1, -2, -4, -9, -11, -12, -15, -16, -17, -20, -22, -99])
def test_what_is_just_a_no(code: int) -> None:
    (answer,) = answered(b"get_freq: VFOA\nRPRT %d\n" % code, ask("f", "VFOA"))
    assert answer.code == code and not answer.values


@pytest.mark.parametrize(
    "data",
    [
        b"get_freq: VFOB\nFrequency: 7\nRPRT 0\n",  # the other VFO
        b"get_freq: None\nFrequency: 7\nRPRT 0\n",
        b"get_freq:\nFrequency: 7\nRPRT 0\n",
        b"get_ptt: VFOA\nPTT: 0\nRPRT 0\n",
        b"RPRT 0\n",
        b"145000000\n",
        b"get_freq: VFOA\nPTT: 0\nRPRT 0\n",
        b"get_freq: VFOA\nFrequency: 7\nFrequency: 7\nRPRT 0\n",
        b"get_freq: VFOA\nFrequency: \nRPRT 0\n",
        b"get_freq: VFOA\nFrequency: 0\nRPRT 0\n",
        b"get_freq: VFOA\nFrequency: -9223372036854775808\nRPRT 0\n",
        b"get_freq: VFOA\nFrequency: nan\nRPRT 0\n",
        b"get_freq: VFOA\nFrequency: inf\nRPRT 0\n",
        b"get_freq: VFOA\nFrequency: 1e13\nRPRT 0\n",
        b"get_freq: VFOA\nFrequency: 7 Hz\nRPRT 0\n",
        b"get_freq: VFOA\nFrequency: 7\nRPRT\n",
        b"get_freq: VFOA\nFrequency: 7\nRPRT 0\nRPRT 0\n",
        b"get_freq: VFOA\nFrequency: 7\nRPRT 0\nge",
        b"\n",
        b"\x00\n",
        b"get_freq: VFOA\xff\nFrequency: 7\nRPRT 0\n",
        b"x" * (LONGEST_LINE + 1),
    ],
)
def test_what_is_no_answer(data: bytes) -> None:
    for size in (1, len(data)):
        exchange = Answers((ask("f", "VFOA"),))
        with pytest.raises(RigGarbled):
            for at in range(0, len(data), size):
                exchange.feed(data[at : at + size])


def test_half_a_value_pair_is_no_answer() -> None:
    with pytest.raises(RigGarbled):
        Answers((ask("m", "VFOA"),)).feed(b"get_mode: VFOA\nMode: USB\nRPRT 0\n")


@given(st.binary(max_size=200))
def test_random_bytes_are_an_error_or_unfinished(data: bytes) -> None:
    exchange = Answers(CYCLE)
    try:
        exchange.feed(data)
    except RigError:
        return
    assert not exchange.finished


@pytest.mark.parametrize(
    ("data", "names_vfo"),
    [
        (b"RPRT -11\n1\n", True),  # 4.5.4
        (b"RPRT 0\n1\n", True),  # 4.7.2
        (b"RPRT -11\n0\n", False),
        (b"RPRT -11\nChkVFO: 1\n", True),
        (b"RPRT -11\nRPRT -11\n", False),
    ],
)
def test_greeting(data: bytes, names_vfo: bool) -> None:
    greeting = Greeting()
    for at in range(len(data)):
        greeting.feed(data[at : at + 1])
    assert greeting.finished
    assert greeting.names_vfo is names_vfo


@pytest.mark.parametrize("data", [b"HTTP/1.1 400 Bad Request\r\n", b"RPRT 0\nhello\n", b"1\n"])
def test_greeted_by_something_else(data: bytes) -> None:
    with pytest.raises(RigGarbled):
        Greeting().feed(data)
