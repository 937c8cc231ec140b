"""A small rig-control daemon inside the test process, correct unless set otherwise.

It speaks the part of Hamlib's network protocol that the driver uses (rigctld(1)), as the real one
was observed to, and records what it receives. `meddle` is called before each reply and may do
anything else with the connection instead."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from types import TracebackType

Meddle = Callable[[str, bytes, asyncio.StreamWriter], Awaitable[bool]]

KEYS = {
    "f": ("get_freq", ("Frequency: ",)),
    "i": ("get_split_freq", ("TX Frequency: ",)),
    "s": ("get_split_vfo", ("Split: ", "TX VFO: ")),
    "m": ("get_mode", ("Mode: ", "Passband: ")),
    "x": ("get_split_mode", ("TX Mode: ", "TX Passband: ")),
    "t": ("get_ptt", ("PTT: ",)),
    "l": ("get_level", ("",)),
    "j": ("get_rit", ("RIT: ",)),
    "z": ("get_xit", ("XIT: ",)),
    "r": ("get_rptr_shift", ("Rptr Shift: ",)),
    "F": ("set_freq", ()),
    "I": ("set_split_freq", ()),
    "V": ("set_vfo", ()),
    "S": ("set_split_vfo", ()),
    "M": ("set_mode", ()),
    "X": ("set_split_mode", ()),
    "T": ("set_ptt", ()),
    "L": ("set_level", ()),
}


class FakeRigServer:
    """`async with FakeRigServer() as rig:` listens on rig.port of the loopback."""

    def __init__(self, *, vfo_option: bool = True, meddle: Meddle | None = None) -> None:
        self.vfo_option = vfo_option
        self.meddle = meddle
        self.dials_hz = {"VFOA": 145_000_000, "VFOB": 146_000_000}
        self.offsets_hz = {"j": 0, "z": 0}
        self.repeater_shift = "None"
        self.modes = {"VFOA": ("FM", 15000), "VFOB": ("FM", 15000)}
        self.selected = "VFOA"
        self.split = False
        self.keyed = False
        self.power = 0.5
        self.refuse: dict[str, int] = {}  # "F" or "F VFOB": RPRT code
        self.heard: list[str] = []
        self.cut_off: list[bytes] = []  # unfinished lines
        self.port = 0
        self._writers: set[asyncio.StreamWriter] = set()

    async def __aenter__(self) -> FakeRigServer:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._server.close()
        for writer in list(self._writers):
            writer.transport.abort()
        await self._server.wait_closed()
        while self._writers:
            await asyncio.sleep(0)

    def connections(self) -> int:
        return len(self._writers)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        names_vfo = False
        try:
            while line := await reader.readline():
                if not line.endswith(b"\n"):
                    self.cut_off.append(line)
                    break
                text = line.decode("ascii").strip()
                self.heard.append(text)
                if text == "\\set_vfo_opt 1":
                    names_vfo = self.vfo_option
                    reply = b"RPRT -11\n"
                elif text == "\\chk_vfo":
                    reply = b"%d\n" % names_vfo
                else:
                    reply = self._reply(text, names_vfo)
                if self.meddle is None or not await self.meddle(text, reply, writer):
                    writer.write(reply)
                await writer.drain()
        except (ConnectionError, asyncio.CancelledError):
            pass
        finally:
            writer.transport.abort()
            self._writers.discard(writer)

    def _reply(self, text: str, names_vfo: bool) -> bytes:
        assert text.startswith("+"), text
        letter, *arguments = text[1:].split(" ")
        name, keys = KEYS[letter]
        head = f"{name}: {' '.join(arguments)}".rstrip() + "\n"
        target = f"{letter} {arguments[0]}" if arguments else letter
        code = self.refuse.get(target, self.refuse.get(letter, 0))
        if letter == "S" and self.keyed and self.split != (arguments[-2] == "1"):
            code = -9  # rejected by the radio, as many do under RF
        if code:
            return f"{head}RPRT {code}\n".encode()
        vfo = arguments.pop(0) if names_vfo else self.selected
        values = self._do(letter, vfo, arguments)
        assert len(values) == len(keys)
        lines = "".join(f"{key}{value}\n" for key, value in zip(keys, values, strict=True))
        return f"{head}{lines}RPRT 0\n".encode()

    def _do(self, letter: str, vfo: str, arguments: list[str]) -> tuple[object, ...]:
        match letter:
            case "f":
                return (self.dials_hz[vfo],)
            case "i":
                return (self.dials_hz["VFOB"],)
            case "s":
                return int(self.split), "VFOB" if self.split else "VFOA"
            case "m":
                return self.modes[vfo]
            case "x":
                return self.modes["VFOB"]
            case "t":
                return (int(self.keyed),)
            case "l":
                assert arguments == ["RFPOWER"]
                return (f"{self.power:f}",)
            case "j" | "z":
                return (self.offsets_hz[letter],)
            case "r":
                return (self.repeater_shift,)
            case "F":
                self.dials_hz[vfo] = int(arguments[0])
            case "I":
                self.dials_hz["VFOB"] = int(arguments[0])
            case "V":
                self.selected = arguments[0]
            case "S":
                self.split = arguments[0] == "1"
            case "M":
                self.modes[vfo] = (arguments[0], int(arguments[1]) or 2400)
            case "X":
                self.modes["VFOB"] = (arguments[0], int(arguments[1]) or 2400)
            case "T":
                self.keyed = arguments == ["1"]
            case "L":
                assert arguments[0] == "RFPOWER"
                self.power = float(arguments[1])
        return ()
