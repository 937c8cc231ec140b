"""Bytes on the control socket of `moontrim forbid`, `moontrim permit` and other commands.

Whatever comes, transmit is inhibited only by the one word, allowed only by a line with a token, and
every request is answered or ended."""

from __future__ import annotations

import asyncio
import functools
import json
import socket
from dataclasses import asdict
from types import SimpleNamespace
from typing import Any

from fuzz.pages import complete, the_loop
from fuzz.target import Target, hold, pieces
from moontrim.clock.system import Clock
from moontrim.clock.virtual import VirtualClock
from moontrim.remote.commands.commanding import Commanding
from moontrim.remote.commands.forbidding import Outcome
from moontrim.remote.commands.permitting import PermitQuestion
from moontrim.remote.wire import controlsocket
from moontrim.remote.wire.controlsocket import FORBID, LONGEST_LINE, PERMIT
from moontrim.session.commands import AllowTransmit, Command


@functools.cache
def _ends() -> tuple[socket.socket, socket.socket]:
    """Returns a connection of this user with himself."""
    return socket.socketpair(socket.AF_UNIX)


def control(data: bytes) -> None:
    """One connection. The first byte: the sizes of the pieces in its lowest bits."""
    done: list[str] = []

    async def forbid(by: str) -> Outcome:
        done.append(FORBID)
        return Outcome(True, "transmit inhibited")

    async def permit(by: str, token: str) -> Outcome:
        done.append(f"{PERMIT} {token}")
        return Outcome(False, "invalid token")

    def question(by: str) -> PermitQuestion:
        return PermitQuestion((("band", "10 GHz"),), "token")

    async def ask(command: Command) -> None:
        hold(not isinstance(command, AllowTransmit), "transmit is decided by a command")
        done.append(line)

    async def unsaved(clock: Clock) -> str:
        return ""

    line = data[1:].split(b"\n")[0].decode(errors="replace").strip()
    permitting: Any = SimpleNamespace(question=question, permit=permit)
    daemon: Any = SimpleNamespace(ask=ask, unsaved=unsaved)
    commanding = Commanding(daemon, VirtualClock(0.0))
    writer: Any = SimpleNamespace(get_extra_info=lambda name: _ends()[0])
    reader = asyncio.StreamReader(limit=LONGEST_LINE, loop=the_loop())
    for piece in pieces(data):
        reader.feed_data(piece)
    reader.feed_eof()
    try:
        answer = complete(controlsocket._answer(reader, writer, forbid, permitting, commanding))
    except (OSError, ValueError):
        hold(not done, f"{done} without an answer")
        return
    hold(json.loads(json.dumps(asdict(answer))), "an answer that is no JSON")
    hold(done in ([], [line]), f"{done} of the line {line!r}")


_SEEDS = (
    *(b"\x00forbid\n", b"\x03permit\n", b"\x00permit 0123456789abcdef\n"),
    b'\x00{"command": "sked", "sked": "north"}\n',
    b'\x02{"command": "save_sked", "name": "a", "band": "10 GHz", "sked_hz": 10368120000}\n',
    *(b'\x00{"command": "transmit", "allowed": true}\n', b'\x00{"command": "undo"}\n'),
    *(b"\x00forbid", b"\x01forbid\r\n", b"\x00permit \n", b"\x00\n", b"\x00" + b"x" * 100 + b"\n"),
)
_TOKENS = (b"forbid", b"permit", b" ", b"\n", b"\r", b"\x00", b"\xff", b"\xe2\x80\xa8", b"a" * 64)

TARGETS = (Target("control", control, _SEEDS, _TOKENS),)
