"""A simulated radio on a pseudo-terminal, which other programs open like a serial port.

Owns the pseudo-terminal and a link to it under a fixed name. Each `plug` makes a new one, so that
the radio comes back under another number, as real ones do.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import tty
from collections.abc import Callable
from pathlib import Path

from moontrim_drivers.simulated.line import SimLine


class SimPty(SimLine):
    """A serial line on a pseudo-terminal.

    path: the path to open now, empty while unplugged. link: a symbolic link that always points to
    it. plugged: called with the path after each `plug`."""

    link: Path | None = None
    path: str = ""
    plugged: Callable[[str], object] | None = None
    _ends: tuple[int, int] | None = None

    def plug(self) -> None:
        # The end that other programs open is open in this process too: otherwise reading from ours
        # would fail until one opens it.
        ours, theirs = os.openpty()
        self._ends = (ours, theirs)
        tty.setraw(theirs)
        os.set_blocking(ours, False)
        self.path = os.ttyname(theirs)
        asyncio.get_running_loop().add_reader(ours, self._readable, ours)
        if self.link is not None:
            temporary = self.link.with_name(f".{self.link.name}.{os.getpid()}")
            temporary.unlink(missing_ok=True)
            temporary.symlink_to(self.path)
            temporary.replace(self.link)
        if self.plugged is not None:
            self.plugged(self.path)

    def unplug(self) -> None:
        if self._ends is None:
            return
        if self.link is not None:
            with contextlib.suppress(OSError):
                self.link.unlink()
        asyncio.get_running_loop().remove_reader(self._ends[0])
        for end in self._ends:
            os.close(end)
        self._ends = None
        self.path = ""

    def send(self, data: bytes) -> None:
        # An OSError means that nobody reads: the bytes are lost, as on a real line.
        if self._ends is not None:
            with contextlib.suppress(OSError):
                os.write(self._ends[0], data)

    def _readable(self, ours: int) -> None:
        try:
            data = os.read(ours, 4096)
        except OSError:
            return
        self.received(data)
