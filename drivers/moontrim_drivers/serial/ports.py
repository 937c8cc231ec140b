"""Serial ports of this machine: lists the attached ones and opens one exclusively.

The only module that imports `serial` (pyserial). It knows neither a bus nor the event loop.

RTS and DTR may key a transmitter. They are set as soon as the port is open, but the kernel raises
both while it opens it, so that they are up for a moment whatever the settings say. A line that keys
belongs behind something that is enabled later.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import termios
from dataclasses import dataclass
from pathlib import Path

import serial
from serial.tools import list_ports

from moontrim_drivers.contract import RigNotSuitable, RigUnreachable
from moontrim_drivers.serial.portchoice import Port

LINK_FOLDERS = (Path("/dev/serial/by-id"), Path("/dev/serial/by-path"))
_PTY_MAJORS = range(136, 144)  # Linux, Documentation/admin-guide/devices.txt: Unix98 PTY slaves


@dataclass(frozen=True, slots=True)
class LineSettings:
    """The settings of a port: 8 data bits, no parity.

    baud: bits per second. rts, dtr: whether these lines are asserted while open."""

    baud: int
    stop_bits: int = 1
    rts: bool = False
    dtr: bool = False

    @property
    def byte_s(self) -> float:
        """The seconds that one byte takes on the wire, start and stop bits included."""
        return (9 + self.stop_bits) / self.baud


def attached() -> tuple[Port, ...]:
    """Returns every attached serial port, sorted by device path; no pseudo-terminals."""
    links = _links()
    return tuple(
        Port(
            device=port.device,
            vendor_id=port.vid,
            product_id=port.pid,
            serial_number=port.serial_number or None,
            description=port.description if port.vid is not None else "",
            links=links.get(str(Path(port.device).resolve()), ()),
        )
        for port in sorted(list_ports.comports(), key=lambda port: port.device)
    )


class OpenPort:
    """A serial port opened exclusively, non-blocking. `fd` is its file descriptor.

    Raises RigUnreachable (no such port, or in use), RigNotSuitable (it cannot be set so)."""

    def __init__(self, path: str, settings: LineSettings) -> None:
        port = serial.Serial()
        try:
            port.port = path
            port.baudrate = settings.baud
            port.stopbits = settings.stop_bits
            port.exclusive = True
            port.rts, port.dtr = settings.rts, settings.dtr
            port.open()
        except (OSError, termios.error) as error:
            raise _cannot_open(path, error) from error
        except (ValueError, OverflowError) as error:
            raise RigNotSuitable(f"{path}: {settings.baud} baud: {error}") from error
        self._port = port
        self.fd: int = port.fileno()
        self._closed_to_others = False
        # Keeps out programs that take no lock. Not on a pseudo-terminal: there the exclusion would
        # outlive this process if it were killed, as long as the program that made it runs.
        if os.major(os.fstat(self.fd).st_rdev) not in _PTY_MAJORS:
            with contextlib.suppress(OSError):
                fcntl.ioctl(self.fd, termios.TIOCEXCL)
                self._closed_to_others = True

    def close(self) -> None:
        """Closes the port; harmless when closed. Bytes not yet sent are discarded: the kernel would
        otherwise wait for them, up to half a minute."""
        if not self._port.is_open:
            return
        with contextlib.suppress(OSError, termios.error):
            termios.tcflush(self.fd, termios.TCIOFLUSH)
            if self._closed_to_others:
                fcntl.ioctl(self.fd, termios.TIOCNXCL)
        with contextlib.suppress(OSError):
            self._port.close()


def no_permission(path: str) -> str:
    """Returns why this user cannot open a device, with the remedy."""
    try:
        group = Path(path).group()
    except (KeyError, OSError):
        group = "dialout"  # of the serial ports on most systems
    return f"no permission to open {path}; add the user to group {group}"


def _cannot_open(path: str, error: Exception) -> RigUnreachable:
    code = error.errno if isinstance(error, OSError) else None
    if code in (errno.EAGAIN, errno.EBUSY):
        return RigUnreachable(f"{path} in use by another program")
    if code == errno.EACCES:
        return RigUnreachable(no_permission(path))
    if code == errno.ENOENT:
        return RigUnreachable(f"{path} not found")
    text = os.strerror(code) if code else str(error)
    return RigUnreachable(f"{path}: {text}")


def _links() -> dict[str, tuple[str, ...]]:
    """Returns, for each device path, the links of udev that lead to it."""
    links: dict[str, tuple[str, ...]] = {}
    for folder in LINK_FOLDERS:
        with contextlib.suppress(OSError):
            for link in sorted(folder.iterdir()):
                target = str(link.resolve())
                links[target] = (*links.get(target, ()), str(link))
    return links
