"""Whole drivers at a radio that mostly answers correctly, and otherwise as the input says.

Whatever comes back, no driver may raise anything but RigError, return a number that is not finite,
or send anything that makes a radio transmit."""

from __future__ import annotations

import asyncio
import functools
from collections.abc import Awaitable, Callable
from typing import Any

from fuzz.instant import Instant
from fuzz.target import Target, finite, hold, instead
from moontrim_drivers.asciicat.driver import AsciicatDriver
from moontrim_drivers.civ.driver import CivDriver
from moontrim_drivers.contract import RigClosed, RigDriver, RigError, RigRefused
from moontrim_drivers.limits import HIGHEST_DIAL_HZ
from moontrim_drivers.rigctld.connection import Connection
from moontrim_drivers.rigctld.driver import SocketDriver, SocketOptions
from moontrim_drivers.rigctld.wire import AnswerLines
from moontrim_drivers.serial.driver import SerialDriver
from moontrim_drivers.serial.options import SerialOptions
from moontrim_drivers.serial.wire import OnLost, Received
from moontrim_drivers.simulated.asciicat import AsciicatResponder
from moontrim_drivers.simulated.civ import CivResponder
from moontrim_drivers.simulated.options import SimulatedOptions
from moontrim_drivers.simulated.radio import SimulatedRadio
from moontrim_drivers.simulated.receivers import Receivers

DECISIONS = 24  # bytes that say what becomes of the answers; after them comes what to say


class Whim:
    """Changes each answer of the radio as the input says; its first byte is for `through`."""

    def __init__(self, data: bytes) -> None:
        self._decisions, self._rest = data[1 : 1 + DECISIONS], data[1 + DECISIONS :]
        self._answered = 0

    def of(self, answer: bytes) -> bytes:
        decision = 0
        if self._decisions:
            decision = self._decisions[self._answered % len(self._decisions)]
        self._answered += 1
        if decision < 140:
            return answer
        if decision < 150:
            return b""
        size = 1 + decision % 32
        piece, self._rest = self._rest[:size], self._rest[size:]
        if decision < 175:
            return piece
        if decision < 200 and answer:
            at = (piece[0] if piece else 0) % len(answer)
            return answer[:at] + piece[-1:] + answer[at + 1 :]
        if decision < 225:
            return piece + answer
        return answer + piece


async def through(driver: RigDriver, chosen: int) -> None:
    """Makes the calls that a rig link makes, but for transmitting. chosen: by its bits, which of
    them: a conversation in which most calls are repeated and answered correctly shows nothing new.
    """
    asks: tuple[Callable[[], Awaitable[Any]], ...] = (
        driver.read,
        lambda: driver.set_dials(144_100_001, 144_099_877),
        driver.details,
        lambda: driver.set_dials(144_100_002, None),
        lambda: driver.set_mode("USB", 2400),
        lambda: driver.set_power(0.1),
        lambda: driver.set_transmit(False),
        driver.read,
    )
    for ask in (driver.open, *(ask for bit, ask in enumerate(asks) if chosen >> bit & 1)):
        try:
            result = await ask()
        except RigRefused:
            continue
        except RigError:
            try:
                await driver.open()
            except RigError:
                break
            continue
        if result is not None:
            _judge(result)
    await driver.close()


def _judge(result: Any) -> None:
    values = [getattr(result, name) for name in type(result).__dataclass_fields__]
    hold(finite(values), f"{result} is not finite")
    for name in ("rx_dial_hz", "tx_dial_hz"):
        dial_hz = getattr(result, name, None)
        hold(dial_hz is None or 0 <= dial_hz <= HIGHEST_DIAL_HZ, f"{result} is no state")
    fraction = getattr(result, "power_fraction", None)
    hold(fraction is None or 0.0 <= fraction <= 1.0, f"{result} is no power")
    passband_hz = getattr(result, "passband_hz", None)
    hold(passband_hz is None or 0 <= passband_hz <= 1_000_000, f"{result} is no passband")


# --- serial buses ---------------------------------------------------------------------------------


_RADIO = SimulatedOptions()


@functools.cache
def _whole_messages(responder_class: Callable[[Receivers], Any], data: bytes) -> tuple[bytes, ...]:
    """Returns what a driver writes, split into messages; cached, since it writes the same few over
    and over."""
    responder = responder_class(Receivers(SimulatedRadio(_RADIO, Instant()), 0))
    messages = tuple(responder.messages(data))
    hold(b"".join(messages) == data, f"{data!r} is no whole message")
    return messages


class _Wire:
    """Answers with the responder of a simulated radio, changed by a whim."""

    def __init__(self, responder: Any, whim: Whim, received: Received) -> None:
        self._responder, self._whim, self._received = responder, whim, received
        self._open = True

    def write(self, data: bytes) -> None:
        soon = asyncio.get_running_loop().call_soon
        for message in _whole_messages(type(self._responder), data):  # type: ignore[arg-type]
            try:
                answer = self._responder.act(message)
            except RigRefused:
                answer = b""
            if spoilt := self._whim.of(answer):
                soon(self._deliver, spoilt)

    def _deliver(self, data: bytes) -> None:
        half = len(data) // 2
        for piece in (data[:half], data[half:]):
            if piece and self._open:
                self._received(piece)

    def close(self) -> None:
        self._open = False


def _serial(
    driver_class: type[SerialDriver], responder_class: Callable[[Receivers], Any], **options: Any
) -> Callable[[bytes], None]:
    driver_options = driver_class.Options(**{"port": "/dev/none", **options})

    def one(data: bytes) -> None:
        clock = Instant()
        radio = SimulatedRadio(_RADIO, clock)
        responder, whim = responder_class(Receivers(radio, 0)), Whim(data)
        keyed: list[bool] = []
        radio.on_change = lambda at_s, rx_hz, tx_hz, transmitting: keyed.append(transmitting)
        driver = driver_class(driver_options, clock)

        def opened(options: SerialOptions, received: Received, lost: OnLost) -> _Wire:
            return _Wire(responder, whim, received)

        driver.conversation.open_wire = opened
        clock.run(through(driver, data[0] if data else 0xFF))
        hold(not any(keyed), "the radio was made to transmit")

    return one


# --- Hamlib's network protocol --------------------------------------------------------------------


class _Connection:
    """Stands in for the connection of a SocketDriver; answers correctly but for the whim."""

    def __init__(self, whim: Whim) -> None:
        self._whim = whim
        self._dials = {"VFOA": "144100000", "VFOB": "144099876"}
        self._open = True

    async def exchange(self, data: bytes, due: AnswerLines) -> None:
        await asyncio.sleep(0)
        for line in data.decode("ascii").splitlines():
            tokens = line.split()
            keys = tokens[0].lstrip("+") == "T" and tokens[-1] != "0"
            hold(not keys and "\\set_ptt" not in line, f"{line!r} makes a radio transmit")
            spoilt = self._whim.of(self._answer(tokens).encode())
            half = len(spoilt) // 2
            for piece in (spoilt[:half], spoilt[half:]):
                if piece:
                    due.feed(piece)
        if not (due.finished and self._open):
            raise RigClosed("the rig-control daemon ended the connection")

    def close(self) -> None:
        self._open = False

    def _answer(self, tokens: list[str]) -> str:
        if tokens[0] == "\\set_vfo_opt":
            return "RPRT 0\n"
        if tokens[0] == "\\chk_vfo":
            return "ChkVFO: 1\n"
        letter, vfo = tokens[0][1:], tokens[1]
        if letter == "F":
            self._dials[vfo] = tokens[2]
        name, lines = {
            "F": ("set_freq", ""),
            "f": ("get_freq", f"Frequency: {self._dials[vfo]}\n"),
            "S": ("set_split_vfo", ""),
            "s": ("get_split_vfo", "Split: 1\nTX VFO: VFOB\n"),
            "M": ("set_mode", ""),
            "m": ("get_mode", "Mode: USB\nPassband: 2400\n"),
            "T": ("set_ptt", ""),
            "t": ("get_ptt", "PTT: 0\n"),
            "L": ("set_level", ""),
            "l": ("get_level", "0.392157\n"),
            "j": ("get_rit", "RIT: 0\n"),
            "z": ("get_xit", "XIT: 0\n"),
            "r": ("get_rptr_shift", "Rptr Shift: None\n"),
        }[letter]
        return f"{name}: {' '.join(tokens[1:])}\n{lines}RPRT 0\n"


_SOCKET = SocketOptions(sets_power=True)


def socket_driver(data: bytes) -> None:
    whim, clock = Whim(data), Instant()

    async def connect(host: str, port: int) -> Any:
        return _Connection(whim)

    with instead(Connection, connect=connect):
        clock.run(through(SocketDriver(_SOCKET, clock), data[0] if data else 0xFF))


# All asked and answered well; then each ask alone, with one answer that is not.
_WELL = b"\xff" + bytes(DECISIONS)
_ONE_BAD = tuple(
    bytes((1 << n,)) + bytes(at) + bytes((bad,)) + bytes(DECISIONS - 1 - at)
    for n, at in enumerate(range(0, DECISIONS, 3))
    for bad in (145, 160, 180, 210, 240)
)


def _seeds(*answers: bytes) -> tuple[bytes, ...]:
    return (*(_WELL + one for one in answers), *(bad + one for bad in _ONE_BAD for one in answers))


_CIV_ANSWERS = bytes.fromhex(
    "fefee0a2250000001044 01fd fefee0a2fafd fefee0a21c0001fd fcfefee0a2fbfd"
)
_ASCII_ANSWERS = b"?;ID019;E;O;FA00144100000;IF00144100000     +00000000002000100000;TX;ID"
_SOCKET_ANSWERS = (
    b"RPRT -9\nRPRT 0\nget_freq: VFOA\nFrequency: 1e3\nMode: \nPassband: -1\n9.9\nPTT: 1\n"
)

TARGETS = (
    Target("civ-driver", _serial(CivDriver, CivResponder, address=0xA2), _seeds(_CIV_ANSWERS)),
    Target("ascii-driver", _serial(AsciicatDriver, AsciicatResponder), _seeds(_ASCII_ANSWERS)),
    Target("socket-driver", socket_driver, _seeds(_SOCKET_ANSWERS), (b"RPRT 0\n", b"\n", b"1e300")),
)
