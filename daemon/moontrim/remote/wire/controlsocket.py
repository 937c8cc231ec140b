"""A private Unix socket in the state folder, by which `moontrim forbid`, `moontrim permit` and
other commands reach a daemon that runs.

It takes one line and answers with one line of JSON:

    forbid          inhibits transmit
    permit          shows the state and returns a token
    permit TOKEN    allows transmit
    {"command": NAME, ...}    any other command, with the fields that a phone would send

Only the user who runs the daemon, and root, can open it (folder 0700, socket 0600, and the peer is
checked again)."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import socket
import stat
import struct
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from moontrim.clock.system import SystemClock
from moontrim.errors import shortened
from moontrim.remote.commands.commanding import Commanding
from moontrim.remote.commands.forbidding import Forbid, Outcome
from moontrim.remote.commands.payload import LARGEST_BYTES
from moontrim.remote.commands.permitting import PermitQuestion, Permitting

log = logging.getLogger(__name__)

NAME = "control"
FORBID = "forbid"
PERMIT = "permit"
REQUEST_S = 2.0  # chosen: for the line, from a program on this machine
ANSWER_S = 10.0  # chosen: longer than forbidding may take
LONGEST_LINE = LARGEST_BYTES + 1  # bytes: a command and its line end
AGAIN_S = 10.0  # chosen: until a folder that took no socket is tried again
BY = "command line"

_clock = SystemClock()


class NotRunning(Exception):
    """Raised where no daemon answers on a state folder."""


async def serve_control(
    folder: Path, forbid: Forbid, permitting: Permitting, commanding: Commanding
) -> None:
    """Serves until cancelled. A folder that takes no socket is logged once and tried again."""

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        # A cancelled task is an error to the callback of Python 3.11's streams.
        with contextlib.suppress(OSError, ValueError, asyncio.CancelledError):
            answered = await _answer(reader, writer, forbid, permitting, commanding)
            writer.write(json.dumps(asdict(answered)).encode() + b"\n")
            async with _clock.timeout(REQUEST_S):
                await writer.drain()
        writer.close()

    problem = ""
    while True:
        try:
            with _listening(folder) as listening:
                server = await asyncio.start_unix_server(answer, sock=listening, limit=LONGEST_LINE)
                async with server:
                    await asyncio.get_running_loop().create_future()
        except OSError as error:
            if str(error) != problem:
                problem = str(error)
                log.warning(
                    "moontrim forbid, permit, sked and agenda cannot reach this daemon: no socket "
                    "in %s: %s",
                    folder,
                    error,
                )
        await _clock.sleep(AGAIN_S)


async def _answer(
    reader: asyncio.StreamReader,
    writer: asyncio.StreamWriter,
    forbid: Forbid,
    permitting: Permitting,
    commanding: Commanding,
) -> Outcome | PermitQuestion:
    """Carries a request out. Raises OSError or ValueError where no whole line comes."""
    if _user_of(writer.get_extra_info("socket")) not in (0, os.geteuid()):
        return Outcome(False, "only the user who runs moontrim, and root, may do this")
    async with _clock.timeout(REQUEST_S):
        line = (await reader.readline()).decode(errors="replace").strip()
    what, _, token = line.partition(" ")
    if line == FORBID:
        outcome = await forbid(BY)
    elif line == PERMIT:
        return permitting.question(BY)
    elif what == PERMIT:
        outcome = await permitting.permit(BY, token)
    elif line.startswith("{"):
        outcome = await commanding.command(BY, line)
    else:
        allowed = "'forbid', 'permit' or a command in JSON"
        return Outcome(False, f"invalid value {shortened(repr(line))}; expected {allowed}")
    log.info("%s: %s", BY, outcome.text)
    return outcome


def request_forbid(folder: Path) -> Outcome:
    """Asks the daemon on a state folder to inhibit transmit. Raises NotRunning, or OSError or
    ValueError where it does not answer or this user may not ask."""
    return _outcome(_request(folder, FORBID))


def request_question(folder: Path) -> PermitQuestion | Outcome:
    """Asks the daemon on a state folder what would be allowed. Raises as
    `request_forbid`."""
    answer = _request(folder, PERMIT)
    if "token" not in answer:
        return _outcome(answer)
    rows = tuple((str(name), str(value)) for name, value in answer.get("state", ()))
    return PermitQuestion(rows, str(answer["token"]))


def request_permit(folder: Path, token: str) -> Outcome:
    """Asks the daemon on a state folder to allow transmit. Raises as `request_forbid`."""
    return _outcome(_request(folder, f"{PERMIT} {token}"))


def request_command(folder: Path, fields: dict[str, Any]) -> Outcome:
    """Has the daemon on a state folder carry out a command. fields: its name under `command`, and
    what a phone would send. Raises as `request_forbid`."""
    return _outcome(_request(folder, json.dumps(fields)))


def _outcome(answer: dict[str, Any]) -> Outcome:
    return Outcome(answer.get("ok") is True, str(answer.get("text", "no answer")))


def _request(folder: Path, line: str) -> dict[str, Any]:
    """Returns the answer to a request. Raises as `request_forbid`."""
    with _short_path(folder) as path, socket.socket(socket.AF_UNIX) as connection:
        connection.settimeout(ANSWER_S)
        try:
            connection.connect(path)
        except (FileNotFoundError, ConnectionRefusedError):
            raise NotRunning from None
        connection.sendall(line.encode() + b"\n")
        with connection.makefile("rb") as stream:
            answer: dict[str, Any] = json.loads(stream.readline() or b"{}")
    return answer


@contextlib.contextmanager
def _listening(folder: Path) -> Iterator[socket.socket]:
    """Yields the listening socket; removes it at the end. Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    with _short_path(folder) as path, socket.socket(socket.AF_UNIX) as listening:
        # Left by a daemon that was killed; the folder's lock says that none runs on it now.
        with contextlib.suppress(FileNotFoundError):
            if stat.S_ISSOCK(os.lstat(path).st_mode):
                os.unlink(path)  # noqa: PTH108 (as the short path)
        mask = os.umask(0o177)
        try:
            listening.bind(path)
        finally:
            os.umask(mask)
        listening.listen()
        listening.setblocking(False)
        try:
            yield listening
        finally:
            with contextlib.suppress(OSError):
                os.unlink(path)  # noqa: PTH108


@contextlib.contextmanager
def _short_path(folder: Path) -> Iterator[str]:
    """Yields a path of the socket that fits into a Unix address, however long the folder's is."""
    try:
        descriptor = os.open(folder, os.O_PATH | os.O_DIRECTORY)
    except FileNotFoundError:
        raise NotRunning from None
    try:
        yield f"/proc/self/fd/{descriptor}/{NAME}"
    finally:
        os.close(descriptor)


def _user_of(connection: socket.socket) -> int:
    """Returns the user id of the other end (unix(7), SO_PEERCRED)."""
    packed = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    return int(struct.unpack("3i", packed)[1])
