"""The real rig-control daemon and its client (Hamlib), for tests marked `peers`."""

from __future__ import annotations

import asyncio
import os
import shutil
import socket
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from itertools import count
from pathlib import Path

from support.effort import missing
from support.processor import within


def require_rigctld() -> None:
    """Skips without rigctld, except in CI, where its absence is a failure."""
    if shutil.which("rigctld") is None:
        missing("rigctld")


# Below those that the system gives to connections (32768 and up), one of which might take a free
# port before it is bound. Each worker of pytest begins elsewhere.
FIRST_PORT, PORTS = 10_000, 22_000
_turns = count(os.getpid() * 997)
LISTEN = "0A"  # the state of a listening socket in /proc/net/tcp (proc(5))
LOCAL = (f"{int.from_bytes(bytes((127, 0, 0, 1)), sys.byteorder):08X}", 8 * "0", 32 * "0")


def free_port(kind: socket.SocketKind = socket.SOCK_STREAM) -> int:
    """Returns a port that no program uses, and that stays free until the test binds it."""
    while True:
        port = FIRST_PORT + next(_turns) % PORTS
        with socket.socket(type=kind) as sock, suppress(OSError):
            sock.bind(("127.0.0.1", port))
            return port


async def listening(port: int, within_s: float = 5.0) -> None:
    """Waits until a program listens on the port, by the kernel's own table. Raises TimeoutError.

    Nobody connects: rigctld closes its radio when its last client leaves, and a client that comes
    in that moment is sent away (Hamlib 4.5.4; seen in 1 of 12 starts beside two busy processes)."""
    async with within(within_s):
        while not is_listening(port):
            await asyncio.sleep(0.02)


def is_listening(port: int) -> bool:
    """Whether any program accepts connections to this TCP port of 127.0.0.1."""
    for table in ("/proc/net/tcp", "/proc/net/tcp6"):
        for line in Path(table).read_text().splitlines()[1:]:
            _, local, _, state = line.split()[:4]
            address, _, number = local.partition(":")
            if state == LISTEN and address in LOCAL and int(number, 16) == port:
                return True
    return False


async def start_rigctld(port: int, *options: str, model: int = 1) -> asyncio.subprocess.Process:
    """Starts it and waits until it listens; model 1 is the dummy. Without `-P` among the options it
    keys no radio."""
    process = await asyncio.create_subprocess_exec(
        *("rigctld", "-m", str(model), *options, "-T", "127.0.0.1", "-t", str(port)),
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        await listening(port)
    except BaseException:
        process.kill()
        await process.wait()
        raise
    return process


@asynccontextmanager
async def rigctld(
    port: int, *radio: str, model: int = 1
) -> AsyncIterator[asyncio.subprocess.Process]:
    """Runs it until the end of the block, unless killed before. radio: how to reach it."""
    process = await start_rigctld(port, "-P", "RIG", *radio, model=model)
    try:
        yield process
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()


async def rigctl(model: int, device: str, *commands: str) -> list[str]:
    """Runs the real client with commands in one session; returns every line that it printed."""
    process = await asyncio.create_subprocess_exec(
        *("rigctl", "-m", str(model), "-r", device, "-P", "RIG", "-"),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
    )
    output, _ = await asyncio.wait_for(
        process.communicate("".join(f"{command}\n" for command in commands).encode()), 30
    )
    return output.decode().split("\n")


class OtherClient:
    """A second program on the same daemon."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer

    @classmethod
    @asynccontextmanager
    async def connected(cls, port: int) -> AsyncIterator[OtherClient]:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        try:
            writer.write(b"\\set_vfo_opt 1\n")
            await reader.readline()
            yield cls(reader, writer)
        finally:
            writer.transport.abort()

    async def ask(self, command: str, lines: int = 1) -> list[str]:
        """Sends a command without `+` and returns the answer, which has so many lines."""
        self._writer.write(f"{command}\n".encode())
        return [(await self._reader.readline()).decode().strip() for _ in range(lines)]

    async def dials_hz(self) -> tuple[int, int]:
        (rx_hz,) = await self.ask("f VFOA")
        (tx_hz,) = await self.ask("f VFOB")
        return int(rx_hz), int(tx_hz)
