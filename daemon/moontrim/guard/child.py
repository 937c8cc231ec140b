"""The guard process as the daemon holds it: started, and a connection to it."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import subprocess
import sys
from collections.abc import Callable, Sequence
from typing import Any

from moontrim.clock.system import Clock
from moontrim.guard.messages import receive

END_S = 1.0  # chosen: an orderly stop waits no longer for it
POLL_S = 0.02  # chosen: it ends within a few milliseconds
EXIT_POLLS = 5


class GuardChild:
    """One run of the guard process. Made in the event loop; raises OSError if it cannot be started.

    take: called with each of its messages. ended: set when it has ended, or closed its end."""

    def __init__(self, clock: Clock, take: Callable[[dict[str, Any]], object]) -> None:
        self.ended = asyncio.Event()
        self._clock = clock
        self._take = take
        self._loop = asyncio.get_running_loop()
        self._socket, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._socket.setblocking(False)
        try:
            # Not by asyncio, which kills a child that is still running when the loop is closed: an
            # armed guard must live until it has unkeyed the radio. -P: the folder in which moontrim
            # is started holds no modules for it. A session of its own: the terminal's Ctrl-C is for
            # the daemon.
            self._process = subprocess.Popen(  # noqa: S603
                [sys.executable, "-P", "-m", "moontrim.guard.process", str(theirs.fileno())],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                pass_fds=[theirs.fileno()],
                start_new_session=True,
            )
        except OSError:
            self._socket.close()
            raise
        finally:
            theirs.close()
        self._loop.add_reader(self._socket, self._readable)

    def send(self, packet: bytes, descriptors: Sequence[int] = ()) -> bool:
        """Sends a packet; returns whether it was taken."""
        try:
            socket.send_fds(self._socket, [packet], list(descriptors))
        except OSError:
            return False
        return True

    def kill(self) -> None:
        """Ends it at once: it does not answer any more."""
        self._process.kill()

    async def close(self, *, armed: bool) -> None:
        """Ends the connection, upon which it ends by itself; if armed, once it has unkeyed the
        radio, for which nobody waits long."""
        self._loop.remove_reader(self._socket)
        self._socket.close()
        with contextlib.suppress(TimeoutError):
            async with self._clock.timeout(END_S):
                while self._process.poll() is None:
                    await self._clock.sleep(POLL_S)
        if self._process.returncode is None and not armed:
            self._process.kill()
            self._process.wait()

    async def how_it_ended(self) -> str:
        """Returns its exit code as a phrase; it comes a moment after the end of the connection."""
        for _ in range(EXIT_POLLS):
            if self._process.poll() is not None:
                break
            await self._clock.sleep(POLL_S)
        code = self._process.poll()
        return "connection closed" if code is None else f"exit code {code}"

    def _readable(self) -> None:
        with contextlib.suppress(BlockingIOError):
            while (packet := receive(self._socket)) is not None:
                self._take(packet[0])
            self._loop.remove_reader(self._socket)
            self.ended.set()
