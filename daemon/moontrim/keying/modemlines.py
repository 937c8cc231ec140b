"""The modem lines of a serial port as switches and contacts: RTS and DTR out, CTS and DSR in.

The one place that opens a port for its lines. Nothing is sent or received, and no rate is set, so
it makes the system calls itself. Linux raises RTS and DTR while it opens a port; the second call
after that (the first takes the lock) lowers them, which keeps the pulse as short as possible. With
HUPCL set, as here, Linux lowers them at the last close, so also when the process is killed (Linux,
drivers/tty/tty_port.c: tty_port_block_til_ready, tty_port_shutdown).

What such a pulse could harm belongs on a port of its own. A port cannot be shared with the driver
of the radio: it is opened exclusively."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import struct
import termios
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Literal, Protocol, TypeVar

from moontrim.errors import MoontrimError
from moontrim_drivers.emergencyunkey import EmergencyUnkey

T = TypeVar("T")
LineName = Literal["rts", "dtr", "cts", "dsr"]

_BIT = {
    "rts": termios.TIOCM_RTS,
    "dtr": termios.TIOCM_DTR,
    "cts": termios.TIOCM_CTS,
    "dsr": termios.TIOCM_DSR,
}
_CLOSE_WAIT_S = 0.2  # chosen: closing must not wait for a call that a stuck adapter holds


class OutputError(MoontrimError):
    """A line, relay or key could not be switched or read."""


class OpenLines(Protocol):
    """The lines of an open port, used by one thread at a time. `set` and `get` raise OSError when
    the port is gone."""

    def set(self, line: LineName, on: bool) -> None:
        """Raises (True) or lowers a line."""

    def get(self, line: LineName) -> bool:
        """Returns whether a line is raised."""

    def emergency_lower(self, line: LineName) -> EmergencyUnkey:
        """Returns how another process lowers a line."""

    def close(self) -> None:
        """Lowers RTS and DTR and closes the port."""


class ModemLines:
    """The lines of a serial port. Opening locks the port against others and lowers RTS and DTR.

    Raises OSError: no such port, in use, or without modem lines (ENOTTY)."""

    def __init__(self, path: str, ioctl: Callable[..., Any] = fcntl.ioctl) -> None:
        self._ioctl = ioctl
        self._fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            self._lower()
            fcntl.ioctl(self._fd, termios.TIOCEXCL)
            attributes = termios.tcgetattr(self._fd)
            attributes[2] |= termios.HUPCL | termios.CLOCAL
            attributes[2] &= ~termios.CRTSCTS  # otherwise RTS would follow the flow of data
            termios.tcsetattr(self._fd, termios.TCSANOW, attributes)
            self._lower()
        except termios.error as error:
            os.close(self._fd)
            raise OSError(*error.args) from None
        except OSError:
            os.close(self._fd)
            raise

    def set(self, line: LineName, on: bool) -> None:
        request = termios.TIOCMBIS if on else termios.TIOCMBIC
        self._ioctl(self._fd, request, struct.pack("I", _BIT[line]))

    def get(self, line: LineName) -> bool:
        answer = self._ioctl(self._fd, termios.TIOCMGET, struct.pack("I", 0))
        return bool(struct.unpack("I", answer)[0] & _BIT[line])

    def emergency_lower(self, line: LineName) -> EmergencyUnkey:
        lower = termios.TIOCMBIC, struct.pack("I", _BIT[line])
        return EmergencyUnkey(descriptor=self._fd, ioctl=lower)

    def close(self) -> None:
        try:
            with contextlib.suppress(OSError):  # an adapter that is gone; else closing lowers them
                self._lower()
        finally:
            os.close(self._fd)

    def _lower(self) -> None:
        bits = termios.TIOCM_RTS | termios.TIOCM_DTR
        self._ioctl(self._fd, termios.TIOCMBIC, struct.pack("I", bits))


Opener = Callable[[str], OpenLines]
"""Opens the device at a path. Raises OSError."""

Resolve = Callable[[str], str]
"""Returns the device path of a port of the config. Raises any exception when there is none."""


def plain_path(port: str) -> str:
    """Returns a device path unchanged. Raises OutputError for a port by identity, which needs a
    look-up."""
    if port.startswith("/"):
        return port
    raise OutputError(f"{port}: only a device path is understood here")


class LinePort:
    """One serial port, shared by the outputs and contacts that use its lines. Calls are made in
    order in a thread of its own, because a stuck adapter may hold a call for seconds."""

    def __init__(
        self, port: str, resolve: Resolve = plain_path, opener: Opener = ModemLines
    ) -> None:
        self.port = port
        self._resolve = resolve
        self._opener = opener
        self._lines: OpenLines | None = None
        self._lock = threading.Lock()
        self._executor: ThreadPoolExecutor | None = None

    async def open(self) -> None:
        """Opens the port, or checks that it still is open. Raises OutputError."""
        await self._in_order(self._open)

    async def set(self, line: LineName, on: bool) -> None:
        """Raises or lowers a line. On OutputError the port is closed, so all its lines are low."""
        await self._in_order(lambda: self._set(line, on))

    async def get(self, line: LineName) -> bool:
        """Returns whether a line is raised. Raises OutputError."""
        return await self._in_order(lambda: self._get(line))

    def emergency_lower(self, line: LineName) -> EmergencyUnkey | None:
        """Returns how another process lowers a line; None while the port is not open."""
        lines = self._lines
        return None if lines is None else lines.emergency_lower(line)

    def close(self) -> None:
        """Lowers all lines and closes the port at once; harmless when not open; never raises."""
        if self._executor is not None:
            self._executor.shutdown(wait=False, cancel_futures=True)
            self._executor = None
        locked = self._lock.acquire(timeout=_CLOSE_WAIT_S)
        try:
            self._abandon()
        finally:
            if locked:
                self._lock.release()

    async def _in_order(self, call: Callable[[], T]) -> T:
        if self._executor is None:
            self._executor = ThreadPoolExecutor(1, thread_name_prefix="lines")
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self._executor, self._guarded, call)

    def _guarded(self, call: Callable[[], T]) -> T:
        with self._lock:
            try:
                return call()
            except OSError as error:
                self._abandon()
                raise OutputError(f"{self.port}: {error.strerror or error}") from None

    def _open(self) -> None:
        if self._lines is not None:
            try:
                self._lines.get("cts")
            except OSError:
                self._abandon()  # unplugged since; it may be back under another device number
            else:
                return
        try:
            path = self._resolve(self.port)
        except Exception as error:  # each way to look ports up has errors of its own
            raise OutputError(str(error)) from error
        self._lines = self._opener(path)

    def _set(self, line: LineName, on: bool) -> None:
        if self._lines is not None:
            self._lines.set(line, on)
        elif on:
            raise OutputError(f"{self.port} is not open")

    def _get(self, line: LineName) -> bool:
        if self._lines is None:
            raise OutputError(f"{self.port} is not open")
        return self._lines.get(line)

    def _abandon(self) -> None:
        lines, self._lines = self._lines, None
        if lines is not None:
            with contextlib.suppress(OSError):
                lines.close()


class Ports:
    """The serial ports in use for their lines: one `LinePort` each, however many lines are used."""

    def __init__(self, resolve: Resolve = plain_path, opener: Opener = ModemLines) -> None:
        self._resolve = resolve
        self._opener = opener
        self._ports: dict[str, LinePort] = {}

    def get(self, port: str) -> LinePort:
        """Returns the port of that name in the config, not opened by this."""
        if port not in self._ports:
            self._ports[port] = LinePort(port, self._resolve, self._opener)
        return self._ports[port]

    def close(self) -> None:
        """Lowers all lines of every port and closes it; never raises."""
        for port in self._ports.values():
            port.close()
