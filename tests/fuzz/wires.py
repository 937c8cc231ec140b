"""Bytes that arrive from a radio, up to answers, without a driver."""

from __future__ import annotations

from fuzz.instant import Instant
from fuzz.target import Target, finite, hold, pieces
from moontrim_drivers.asciicat import codec as asciicodec
from moontrim_drivers.asciicat.driver import AsciicatDriver
from moontrim_drivers.asciicat.exchange import AsciiExchange
from moontrim_drivers.civ import codec as civcodec
from moontrim_drivers.civ.codec import Frame
from moontrim_drivers.civ.driver import CivDriver
from moontrim_drivers.civ.exchange import CivExchange
from moontrim_drivers.contract import RigError, RigRefused
from moontrim_drivers.limits import HIGHEST_DIAL_HZ, LOWEST_DIAL_HZ
from moontrim_drivers.rigctld.wire import (
    LONGEST_LINE,
    AnswerLines,
    Answers,
    Greeting,
    Question,
    ask,
)
from moontrim_drivers.simulated.asciicat import AsciicatResponder
from moontrim_drivers.simulated.civ import CivResponder
from moontrim_drivers.simulated.options import SimulatedOptions
from moontrim_drivers.simulated.radio import SimulatedRadio
from moontrim_drivers.simulated.receivers import Receivers

# --- Hamlib's network protocol, a client's side ---------------------------------------------------

_QUESTIONS: tuple[tuple[Question, ...], ...] = (
    (ask("f", "VFOA"), ask("f", "VFOB"), ask("t", "VFOA")),
    (ask("F", "VFOA", 144_100_000), ask("f", "VFOA")),
    (ask("m", "VFOA"), ask("l", "VFOA", "RFPOWER")),
    (ask("S", "VFOA", 1, "VFOB"), ask("s", "VFOA")),
    (ask("i"), ask("x"), ask("T", 0)),
)
_GREETING = 5


def socket_answers(data: bytes) -> None:
    """Feeds an exchange until it finishes or raises; then every value must be valid."""
    which = data[0] % (len(_QUESTIONS) + 1) if data else 0
    due: AnswerLines = Greeting() if which == _GREETING else Answers(_QUESTIONS[which])
    since_end = 0
    for piece in pieces(data[1:]):
        try:
            due.feed(piece)
        except RigError:
            return
        end = piece.rfind(b"\n")
        since_end = len(piece) - end - 1 if end >= 0 else since_end + len(piece)
        hold(since_end <= LONGEST_LINE, "an endless line is kept")
        if due.finished:
            break
    if not (due.finished and isinstance(due, Answers)):
        return
    hold(len(due.answers) == len(_QUESTIONS[which]), "an answer is missing")
    for answer in due.answers:
        hold(finite(list(answer.values)), f"{answer} is not finite")
        letter = answer.question.letter
        if letter in "fi" and not answer.refused:
            (dial_hz,) = answer.values
            hold(type(dial_hz) is int, f"{answer} is no whole number")
            hold(LOWEST_DIAL_HZ <= dial_hz <= HIGHEST_DIAL_HZ, f"{answer} is no dial")
        if letter == "l" and not answer.refused:
            hold(0.0 <= answer.values[0] <= 1.0, f"{answer} is no level")
        if letter in "mx" and not answer.refused:
            hold(0 <= answer.values[1] <= 1_000_000, f"{answer} is no passband")


_SOCKET_SEEDS = (
    b"\x00\x00get_freq: VFOA\nFrequency: 144100000\nRPRT 0\nget_freq: VFOB\n"
    b"Frequency: 144099876.000000\nRPRT 0\nget_ptt: VFOA\nPTT: 0\nRPRT 0\n",
    b"\x01\x01set_freq: VFOA 144100000\nRPRT 0\nget_freq: VFOA\nFrequency: 144100000\nRPRT 0\n",
    b"\x02\x00get_mode: VFOA\nMode: USB\nPassband: 2400\nRPRT 0\n"
    b"get_level: VFOA RFPOWER\n0.392157\nRPRT 0\n",
    b"\x03\x02set_split_vfo: VFOA 1 VFOB\nRPRT -11\nget_split_vfo: VFOA\nSplit: 1\n"
    b"TX VFO: Sub\nRPRT 0\n",
    b"\x04\x00get_split_freq:\nTX Frequency: 1\nRPRT 0\nget_split_mode:\nTX Mode: CW\n"
    b"TX Passband: 0\nRPRT 0\nset_ptt: 0\nRPRT -5\n",
    b"\x05\x00RPRT -11\nChkVFO: 1\n",
    b"\x05\x03RPRT 0\n0\n",
)
_SOCKET_TOKENS = (
    *(b"RPRT 0\n", b"RPRT -20\n", b"RPRT -1\n", b"Frequency: ", b"Passband: ", b"PTT: 1\n"),
    *(b"get_freq: VFOA\n", b"\n", b"\r\n", b";", b"1e300", b"-7.5", b"ChkVFO: ", b"None"),
)

# --- the addressed binary bus ---------------------------------------------------------------------

_SENDING = (b"\x1c\x00\x01", b"\x1c\x01", b"\x17", b"\x28")


def civ_frames(data: bytes) -> None:
    """Frames are split alike whatever the pieces; each survives the conversion to bytes and
    back."""
    whole, split = civcodec.FrameSplitter(), civcodec.FrameSplitter()
    frames = list(whole.feed(data[1:]))
    again = [frame for piece in pieces(data) for frame in split.feed(piece)]
    hold(frames == again, "pieces make a difference")
    hold(len(whole.noise) <= 64, "noise without end")
    for frame in frames:
        if frame is None:
            continue
        hold(Frame.from_bytes(frame.to_bytes()) == frame, f"{frame} does not come back")
        _civ_values(frame.body)
    _civ_values(data)


def _civ_values(body: bytes) -> None:
    civcodec.mode_name(body)
    for meaning, highest in (
        (civcodec.number, 100 ** len(body) - 1),
        (civcodec.dial_hz, civcodec.HIGHEST_DIAL_HZ),
        (civcodec.level_fraction, 1.0),
        (lambda some: civcodec.passband_hz("AM", civcodec.number(some)), 10_000),
        (lambda some: civcodec.passband_hz("USB", civcodec.number(some)), 3_600),
    ):
        for part in (body[1:], body[2:], body[2:7]):
            try:
                value = meaning(part)
            except ValueError:
                continue
            hold(0 <= value <= highest, f"{part.hex(' ')} means {value}")


_CIV_SENT = (
    (b"\x25\x00", b"\x25\x00", 5, False, False),
    (b"\x25\x00\x00\x00\x10\x44\x01", b"", 0, False, False),
    (b"\x1c\x00", b"\x1c\x00", 1, False, False),
    (b"\x19\x00", b"\x19\x00", 1, False, True),
    (b"\x16\x5a\x00", b"\x16", 57, True, False),
)


def _until_finished(exchange: CivExchange | AsciiExchange, data: bytes) -> bytes | None:
    """Feeds an exchange in pieces until it finishes and returns what it has by then; None if a bad
    answer ended it or nothing finished it."""
    came = b""
    for piece in pieces(data):
        came += piece
        try:
            exchange.feed(piece)
        except RigError:
            return None
        if exchange.finished:
            return came
    return came if exchange.finished else None


def civ_exchange(data: bytes) -> None:
    """Only what our radio sends to us, and begins correctly, is an answer."""
    body, due, count, either, patient = _CIV_SENT[data[0] % len(_CIV_SENT) if data else 0]
    exchange = CivExchange(Frame(0xA2, 0xE0, body), due, count, either=either, patient=patient)
    came = _until_finished(exchange, data[1:])
    if came is not None:
        yes = civcodec.DONE if either or not due else None
        answers = [
            frame
            for frame in civcodec.FrameSplitter().feed(came)
            if frame is not None and (frame.to, frame.sender) == (0xE0, 0xA2)
            and (frame.body == yes or (due and frame.body.startswith(due)))
        ]  # fmt: skip
        hold(answers, f"finished by none of {came.hex(' ')}")
        hold(exchange.data in {b"", *(one.body[len(due) :] for one in answers)}, "other data")


_CIV_SEEDS = tuple(
    head + bytes.fromhex(frames)
    for head, frames in (
        (b"\x00\x00", "fefea2e02500fd fefee0a2250000001044 01fd"),
        (b"\x01\x01", "fefea2e025000000104401fd fefee0a2fbfd"),
        (b"\x02\x00", "fefee0a21c0000fd"),
        (b"\x02\x03", "fefe00a2000000104401fd fefee0a21c0001fd"),
        (b"\x03\x00", "fefee0a2fafd fefee0a21900a2fd"),
        (b"\x04\x00", "fefee0a2165a00fd fcfcfc fefee0a2140a0255fd"),
        (b"\x00\x02", "fefefefee0a2250112345678 90fd fefee0a2260001 0101fd fefee0a2 1a0349fd"),
    )
)
_CIV_TOKENS = tuple(
    bytes.fromhex(token)
    for token in (
        "fefe",
        "fd",
        "fc",
        "ff",
        "fefee0a2",
        "fefea2e0",
        "1c0001",
        "fa",
        "fb",
        "2500",
        "99",
    )
)

# --- the semicolon bus ----------------------------------------------------------------------------


def ascii_messages(data: bytes) -> None:
    """Splits messages like `civ_frames`."""
    whole, split = asciicodec.MessageSplitter(), asciicodec.MessageSplitter()
    messages = list(whole.feed(data[1:]))
    again = [message for piece in pieces(data) for message in split.feed(piece)]
    long_ago = (
        len(data) > asciicodec.LONGEST_MESSAGE
    )  # what has no end is let go of sooner or later
    hold(long_ago or messages == again, "pieces make a difference")
    hold(len(whole.noise) <= 160 and len(split.noise) <= 160, "noise without end")
    for message in (*messages, *again):
        frame = message.to_bytes()
        hold(asciicodec.Message.from_bytes(frame) == message, f"{message} does not come back")
        hold(len(frame) <= asciicodec.LONGEST_MESSAGE, "longer than any message")
        for meaning in (asciicodec.Status.from_text, asciicodec.dial_hz, asciicodec.number):
            try:
                value = meaning(message.rest)
            except ValueError:
                continue
            number = value.dial_hz if isinstance(value, asciicodec.Status) else value
            hold(0 <= number < 10 ** len(message.rest), f"{message} means {value}")
        asciicodec.mode_name(message.rest)


def ascii_exchange(data: bytes) -> None:
    """Finished only by ID, with an answer to each question or a refusal."""
    questions = (("FA", "FB", "IF"), ("MD",), (), ("AI",))[data[0] % 4 if data else 0]
    exchange = AsciiExchange(b"", questions)
    came = _until_finished(exchange, data[1:])
    if came is not None:
        hold(b"ID" in came, "finished without ID")
        hold(exchange.refused or set(exchange.answers) == set(questions), "an answer is missing")


_ASCII_SEEDS = (
    b"\x00\x00FA00144100000;FB00144099876;IF00144100000     +00000000002000100000;ID019;",
    b"\x01\x01MD2;ID019;",
    b"\x02\x02?;ID019;",
    b"\x03\x00AI0;\r\nE;O;ID019;",
    b"\x00\x03FA00144100000;FA00144100001;FB00000000000;IF99999999999     -00000000001901010000;"
    b"ID019;",
)
_ASCII_TOKENS = (b"ID019;", b";", b"?;", b"E;", b"O;", b"FA", b"IF", b"TX;", b"RX;", b"MD", b"\r\n")

# --- free-form commands of the config -------------------------------------------------------------


def typed_commands(data: bytes) -> None:
    """A command that is accepted does not make the simulated radio transmit."""
    text = data[1:].decode("utf-8", "surrogateescape")
    clock = Instant()
    radio = SimulatedRadio(SimulatedOptions(), clock)
    receivers = Receivers(radio, 0)
    if data[:1] < b"\x80":
        try:
            command = CivDriver.parse_command(text)
        except ValueError:
            return
        frame = Frame(0xA2, 0xE0, command)
        hold(Frame.from_bytes(frame.to_bytes()) == frame, "more than one frame")
        hold(not command.startswith(_SENDING), f"{text!r} transmits")
        CivResponder(receivers).act(frame.to_bytes())
    else:
        try:
            command = AsciicatDriver.parse_command(text)
        except ValueError:
            return
        responder = AsciicatResponder(receivers)
        for message in responder.messages(command):
            hold(message[:2] not in (b"TX", b"KY"), f"{text!r} transmits")
            try:
                responder.act(message)
            except RigRefused:
                continue
    hold(not radio.transmitting, f"{text!r} transmits")


_TYPED_SEEDS = (
    *(b"\x00" + text for text in (b"16 5A 00", b"1A 05 01 12 01", b"1C 00 01", b"07 b0", b"17 41")),
    *(b"\x80" + text for text in (b"NB0;", b"AN1;EX0060000;", b"TX;", b"PC005;", b"KY CQ;")),
)
_TYPED_TOKENS = (
    *(b"1C", b"00", b"01", b" ", b"FD", b"FE FE", b"\t", b"TX", b"TX;", b";", b"TX1;"),
)

TARGETS = (
    Target("socket-answers", socket_answers, _SOCKET_SEEDS, _SOCKET_TOKENS),
    Target("civ-frames", civ_frames, _CIV_SEEDS, _CIV_TOKENS),
    Target("civ-exchange", civ_exchange, _CIV_SEEDS, _CIV_TOKENS),
    Target("ascii-messages", ascii_messages, _ASCII_SEEDS, _ASCII_TOKENS),
    Target("ascii-exchange", ascii_exchange, _ASCII_SEEDS, _ASCII_TOKENS),
    Target("typed-commands", typed_commands, _TYPED_SEEDS, _TYPED_TOKENS),
)
