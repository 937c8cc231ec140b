"""The simulated radio behind Hamlib's network rig-control protocol, over TCP.

The text of the protocol from the server's side (rigctld(1)), strictly: a line is one command, an
unfinished one is thrown away, and an unknown one is answered with a report, because clients would
wait for an answer. Commands that name their VFO are switched on for each client separately.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import Callable
from functools import partial

from moontrim_drivers.contract import RigClosed, RigRefused, RigUnreachable
from moontrim_drivers.limits import HIGHEST_DIAL_HZ, LOWEST_DIAL_HZ
from moontrim_drivers.simulated.connection import SimulatedConnection
from moontrim_drivers.simulated.radio import SimulatedRadio

LONGEST_LINE = 256  # chosen: more than twice what the real daemon takes

# RPRT codes (rig_errcode_e in Hamlib's rig.h)
_INVALID, _REJECTED, _NOT_AVAILABLE = -1, -9, -11

# letter: long name, number of arguments, keys of the answer in the extended protocol
_COMMANDS: dict[str, tuple[str, int, tuple[str, ...]]] = {
    "F": ("set_freq", 1, ()),
    "f": ("get_freq", 0, ("Frequency: ",)),
    "I": ("set_split_freq", 1, ()),
    "i": ("get_split_freq", 0, ("TX Frequency: ",)),
    "S": ("set_split_vfo", 2, ()),
    "s": ("get_split_vfo", 0, ("Split: ", "TX VFO: ")),
    "M": ("set_mode", 2, ()),
    "m": ("get_mode", 0, ("Mode: ", "Passband: ")),
    "X": ("set_split_mode", 2, ()),
    "x": ("get_split_mode", 0, ("TX Mode: ", "TX Passband: ")),
    "T": ("set_ptt", 1, ()),
    "t": ("get_ptt", 0, ("PTT: ",)),
    "L": ("set_level", 2, ()),
    "l": ("get_level", 1, ("",)),
    "j": ("get_rit", 0, ("RIT: ",)),
    "z": ("get_xit", 0, ("XIT: ",)),
    "r": ("get_rptr_shift", 0, ("Rptr Shift: ",)),
    "J": ("set_rit", 1, ()),
    "Z": ("set_xit", 1, ()),
    "R": ("set_rptr_shift", 1, ()),
    "V": ("set_vfo", 1, ()),
    "v": ("get_vfo", 0, ("VFO: ",)),
    "_": ("get_info", 0, ("Info: ",)),
}
_LETTERS = {name: letter for letter, (name, _, _) in _COMMANDS.items()}
_WITHOUT_VFO = ("V", "v", "_")
_VFOS = {
    "VFOA": "VFOA", "Main": "VFOA", "MainA": "VFOA", "currVFO": "",
    "VFOB": "VFOB", "Sub": "VFOB", "SubA": "VFOB",
}  # fmt: skip

# The answer to \dump_state: protocol version, model, region, empty lists of ranges, steps, filters,
# no offsets, preamplifiers and attenuators, no functions, and 0x1000: RF power can be read and set.
_STATE = ["0", "2", "0"] + ["0 0 0 0 0 0 0"] * 2 + ["0 0"] * 2 + ["0"] * 4 + [""] * 2
_STATE += ["0", "0", "0x1000", "0x1000", "0", "0"]

Values = tuple[object, ...]


class SimSocket:
    """A server through which any number of clients control one simulated radio.

    port: 0: a free one, which `listen` puts into this attribute."""

    def __init__(self, radio: SimulatedRadio, host: str = "127.0.0.1", port: int = 0) -> None:
        self.radio = radio
        self.host = host
        self.port = port
        self._clients: set[asyncio.Task[None]] = set()

    async def listen(self) -> asyncio.Server:
        """Starts to serve. Raises OSError."""
        server = await asyncio.start_server(
            self._connected, self.host, self.port, limit=LONGEST_LINE
        )
        self.port = server.sockets[0].getsockname()[1]
        return server

    async def hang_up(self) -> None:
        """Ends every connection."""
        for client in self._clients:
            client.cancel()
        await asyncio.gather(*self._clients, return_exceptions=True)

    def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.create_task(self._serve(reader, writer), name="client of simulated radio")
        self._clients.add(task)
        task.add_done_callback(self._clients.discard)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        connection: SimulatedConnection | None = None
        try:
            connection = await self.radio.connect()
            ended = asyncio.create_task(connection.ended.wait())
            client = asyncio.create_task(_Client(self.radio, connection, reader, writer).run())
            try:
                await asyncio.wait((ended, client), return_when=asyncio.FIRST_COMPLETED)
            finally:
                ended.cancel()
                client.cancel()
                await asyncio.gather(ended, client, return_exceptions=True)
        except RigUnreachable:
            pass
        finally:
            if connection is not None:
                connection.close()
            writer.transport.abort()


class _Client:
    """The commands of one client, and the answers to them."""

    def __init__(
        self,
        radio: SimulatedRadio,
        connection: SimulatedConnection,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
    ) -> None:
        self._radio = radio
        self._connection = connection
        self._reader = reader
        self._writer = writer
        self._names_vfo = False
        self._vfo = "VFOA"

    async def run(self) -> None:
        """Answers commands until the client leaves or sends what is no text."""
        with contextlib.suppress(ValueError, ConnectionError, RigClosed):
            while (line := await self._reader.readline()).endswith(b"\n"):
                command, *arguments = line.decode("ascii").split() or [""]
                if not command:
                    continue
                if command in ("q", "Q", "\\quit"):
                    break
                self._writer.write((await self._reply(command, arguments)).encode("ascii"))
                await self._writer.drain()

    async def _reply(self, command: str, arguments: list[str]) -> str:
        """Carries out a command and returns all lines of the answer."""
        extended = command.startswith("+")
        name = command.removeprefix("+")
        if extended and not name:
            return f"RPRT {_INVALID}\n"
        match name:
            case "\\set_vfo_opt":
                self._names_vfo = arguments == ["1"]
                return "RPRT 0\n"
            case "\\chk_vfo":
                return f"{'ChkVFO: ' if extended else ''}{self._names_vfo:d}\n"
            case "\\dump_state":
                return "".join(f"{line}\n" for line in _STATE)
            case "\\get_powerstat":
                return "1\n"
            case "\\get_lock_mode":  # a report here makes some clients drop a change of mode
                return "0\n"
        letter = _LETTERS.get(name[1:], "") if name.startswith("\\") else name
        if letter not in _COMMANDS:
            return f"RPRT {_NOT_AVAILABLE}\n"
        long_name, count, keys = _COMMANDS[letter]
        head = f"{' '.join((f'{long_name}:', *arguments))}\n" if extended else ""
        code, values = await self._do(letter, count, arguments)
        if not extended:
            keys = ("",) * len(keys)
        lines = "".join(f"{key}{value}\n" for key, value in zip(keys, values, strict=False))
        report = f"RPRT {code}\n" if extended or code or not keys else ""
        return head + lines + report

    async def _do(self, letter: str, count: int, arguments: list[str]) -> tuple[int, Values]:
        try:
            vfo = self._vfo
            if self._names_vfo and letter not in _WITHOUT_VFO:
                vfo = _VFOS[arguments[0]] or vfo
                arguments = arguments[1:]
            if len(arguments) != count:
                return _INVALID, ()
            action = self._action(letter, vfo, arguments)
        except (ValueError, KeyError, IndexError):
            return _INVALID, ()
        if action is None:
            return _NOT_AVAILABLE, ()
        if self._radio.options.silent:
            await asyncio.get_running_loop().create_future()
        try:
            return 0, await self._connection.ask(action) or ()
        except RigRefused:
            return _REJECTED, ()

    def _action(
        self, letter: str, vfo: str, arguments: list[str]
    ) -> Callable[[], Values | None] | None:
        """Returns the action on the radio; None for a command it lacks. Raises ValueError or
        KeyError for unusable arguments."""
        radio = self._radio
        match letter:
            case "f":
                return lambda: (radio.rx_dial_hz if vfo == "VFOA" else radio.second_dial_hz,)
            case "i":
                return lambda: (radio.second_dial_hz if radio.split else radio.rx_dial_hz,)
            case "F" | "I":
                dial_hz = _dial_hz(arguments[0])
                if letter == "F" and vfo == "VFOA":
                    return partial(radio.set_dials, dial_hz, None)
                return partial(radio.set_dials, None, dial_hz, unused=True)
            case "S":
                return partial(radio.set_split, _flag(arguments[0]))
            case "s":
                return lambda: (int(radio.split), "VFOB" if radio.split else "VFOA")
            case "M" | "X":
                return partial(radio.set_mode, arguments[0], max(0, int(arguments[1])))
            case "m" | "x":
                return lambda: (radio.mode, radio.passband_hz)
            case "T":
                return partial(radio.set_transmit, arguments[0] != "0")
            case "t" if radio.options.reports_transmit:
                return lambda: (int(radio.transmitting),)
            case "L" if arguments[0] == "RFPOWER":
                return partial(radio.set_power, _fraction(arguments[1]))
            case "l" if arguments[0] == "RFPOWER":
                return lambda: (f"{radio.power_fraction:f}",)
            case "j" | "z":
                return lambda: (radio.rit_hz if letter == "j" else radio.xit_hz,)
            case "r":
                return lambda: ("+" if radio.repeater_shift else "None",)
            case "J" | "Z" if arguments == ["0"]:
                return partial(
                    radio.clear_offsets, rit=letter == "J", xit=letter == "Z", shift=False
                )
            case "R" if arguments == ["None"]:
                return partial(radio.clear_offsets, rit=False, xit=False)
            case "V":
                self._vfo = _VFOS[arguments[0]] or self._vfo
                return lambda: ()
            case "v":
                return lambda: (self._vfo,)
            case "_":
                return lambda: ("simulated",)
        return None


def _dial_hz(text: str) -> int:
    value_hz = float(text)
    if not math.isfinite(value_hz) or not LOWEST_DIAL_HZ <= value_hz <= HIGHEST_DIAL_HZ:
        raise ValueError(text)
    return round(value_hz)


def _fraction(text: str) -> float:
    value = float(text)
    if not 0.0 <= value <= 1.0:
        raise ValueError(text)
    return value


def _flag(text: str) -> bool:
    return {"0": False, "1": True}[text]
