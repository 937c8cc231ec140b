"""Bytes to and from a serial port in the event loop, without a thread.

Owns one open port and the bytes still to be written to it. It knows no frames, no questions and no
deadlines. The loss of a port is noticed by reading it, as soon as the kernel knows.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from typing import Protocol

from moontrim_drivers.contract import RigClosed, RigError
from moontrim_drivers.serial.ports import LineSettings, OpenPort

# Bytes not yet taken by the port. Chosen: far more than one exchange; more means it takes none.
LONGEST_BACKLOG = 4096

Received = Callable[[bytes], None]
OnLost = Callable[[RigError], None]


class Wire(Protocol):
    """An open wire to a radio: bytes out. Bytes in come through callbacks."""

    @property
    def descriptor(self) -> int | None:
        """The file descriptor of the open port; None where there is none."""
        ...

    def write(self, data: bytes) -> None:
        """Sends bytes as soon as the wire takes them, in order."""
        ...

    def close(self) -> None:
        """Closes at once; harmless when closed. No callback is called after it."""
        ...


class SerialWire:
    """A serial port as a wire, opened when made. Raises what `OpenPort` raises.

    received: called with bytes in pieces of any size. lost: called once with the error when the
    port is gone; the wire is then closed."""

    def __init__(self, path: str, settings: LineSettings, received: Received, lost: OnLost) -> None:
        self._loop = asyncio.get_running_loop()
        self._path = path
        self._received = received
        self._lost = lost
        self._backlog = bytearray()
        self._port: OpenPort | None = OpenPort(path, settings)
        self._fd = self._port.fd
        self._loop.add_reader(self._fd, self._readable)

    @property
    def descriptor(self) -> int | None:
        return None if self._port is None else self._fd

    def write(self, data: bytes) -> None:
        if self._port is None:
            return
        waiting = bool(self._backlog)
        self._backlog += data
        if not waiting:
            self._writable()
            if self._backlog:
                self._loop.add_writer(self._fd, self._writable)
        elif len(self._backlog) > LONGEST_BACKLOG:
            self._gone("it takes no more bytes")

    def close(self) -> None:
        if self._port is not None:
            self._loop.remove_reader(self._fd)
            self._loop.remove_writer(self._fd)
            self._port.close()
            self._port = None

    def _readable(self) -> None:
        try:
            data = os.read(self._fd, 4096)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            self._gone(error.strerror or str(error))
            return
        if data:
            self._received(data)
        else:
            self._gone("unplugged")

    def _writable(self) -> None:
        try:
            done = os.write(self._fd, self._backlog)
        except (BlockingIOError, InterruptedError):
            done = 0
        except OSError as error:
            self._gone(error.strerror or str(error))
            return
        del self._backlog[:done]
        if not self._backlog:
            self._loop.remove_writer(self._fd)

    def _gone(self, why: str) -> None:
        self._backlog.clear()
        self.close()
        self._lost(RigClosed(f"{self._path}: the port is gone ({why})"))
