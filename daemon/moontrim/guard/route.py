"""The guard's own way to the radio: a TCP connection, or a duplicate of the daemon's descriptor."""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import select
import socket
import time

from moontrim.guard.messages import Arm

CONNECT_S = 0.3  # chosen: the server is on this machine or in the local network
QUIET_S = 0.05  # chosen: after the greeting, until its answers have come
ANSWER_S = 0.4  # chosen: then it is sent again, on a new connection
AGAIN_S = 0.1  # chosen: between two attempts; longer than the message takes at 1200 baud
WRITES = 3  # on a descriptor, where no answer is read; chosen: one damaged byte costs nothing
MOST_READS = 16  # of 4096 bytes each; chosen: a server that never stops must not hold the guard


class Unreachable(Exception):
    """The radio cannot be unkeyed this way; str() says why."""


class ServerConnection:
    """A TCP connection that is opened before it is needed, and once more if it has ended.

    confirmed: a regular expression for the answer that says that the radio receives. alone_s: how
    long the guard goes on trying when the daemon is gone."""

    alone_s = 20.0  # chosen: a server may be restarted meanwhile

    def __init__(self, host: str, port: int, greeting: bytes, confirmed: str) -> None:
        self._address = host, port
        self._greeting = greeting
        self._confirmed = re.compile(confirmed.encode(), re.DOTALL)
        self._socket: socket.socket | None = None

    def serves(self, arm: Arm) -> bool:
        """Whether it is the connection that this over needs."""
        wanted = (arm.host, arm.port), bytes.fromhex(arm.greeting), arm.confirmed.encode()
        return wanted == (self._address, self._greeting, self._confirmed.pattern)

    def prepare(self) -> None:
        """Connects if need be. Raises Unreachable."""
        if self._socket is not None and self._drain(0.0):
            return
        self.close()
        host, port = self._address
        try:
            self._socket = socket.create_connection(self._address, CONNECT_S)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._socket.sendall(self._greeting)
        except OSError as error:
            self.close()
            raise Unreachable(f"{host}:{port}: {error.strerror or error}") from None
        if not self._drain(QUIET_S):
            self.close()
            raise Unreachable(f"{host}:{port}: connection closed by the server")

    def unkey(self, unkey: bytes) -> str:
        """Sends it and returns what was confirmed. Raises Unreachable if nothing was."""
        self.prepare()
        assert self._socket is not None
        answer, until_s = b"", time.monotonic() + ANSWER_S
        why = f"no confirmation within {ANSWER_S:g} s"
        try:
            self._socket.sendall(unkey)
            while (left_s := until_s - time.monotonic()) > 0.0:
                if not select.select([self._socket], [], [], left_s)[0]:
                    break
                data = self._socket.recv(4096)
                answer = answer[-4096:] + data
                if self._confirmed.search(answer):
                    return "the radio has been unkeyed"
                if not data:
                    why = "connection closed by the server"
                    break
        except OSError as error:
            why = error.strerror or str(error)
        self.close()
        raise Unreachable(why)

    def close(self) -> None:
        """Ends the connection; harmless when there is none."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _drain(self, wait_s: float) -> bool:
        """Reads what has come; returns whether the connection is alive."""
        assert self._socket is not None
        with contextlib.suppress(OSError):
            for _ in range(MOST_READS):
                if not select.select([self._socket], [], [], wait_s)[0]:
                    return True
                if not self._socket.recv(4096):
                    return False
        return False


class Descriptor:
    """A duplicate of the descriptor on which the daemon speaks to the radio, or whose line keys it.
    It is only written to: two who read would take each other's answers.

    ioctl: the request that unkeys in place of bytes that are written; 0: none."""

    alone_s = 2.0  # chosen: a port that takes nothing must be free for the daemon's next start

    def __init__(self, fd: int, ioctl: int) -> None:
        self._fd = fd
        self._ioctl = ioctl

    def prepare(self) -> None:
        """Does nothing: it is open."""

    def unkey(self, unkey: bytes) -> str:
        """Lowers the line; or writes the command, several times. Returns that it did. Raises
        Unreachable."""
        written = 0
        if self._ioctl:
            try:
                fcntl.ioctl(self._fd, self._ioctl, unkey)
            except OSError as error:
                raise Unreachable(f"the line: {error.strerror or error}") from None
            return "the line that keys the radio has been released"
        try:
            for turn in range(WRITES):
                time.sleep(AGAIN_S if turn else 0.0)
                written += os.write(self._fd, unkey) == len(unkey)
        except BlockingIOError:
            pass
        except OSError as error:
            raise Unreachable(f"the port: {error.strerror or error}") from None
        if not written:
            raise Unreachable("the port takes no bytes")
        return "the command to receive has been sent (this port confirms nothing)"

    def close(self) -> None:
        """Closes the duplicate."""
        with contextlib.suppress(OSError):
            os.close(self._fd)


Route = ServerConnection | Descriptor


def open_route(arm: Arm, descriptors: list[int], before: Route | None) -> Route:
    """Returns the way to the radio of an over; a connection stays open from over to over. Raises
    Unreachable."""
    if arm.host:
        route: Route = (
            before
            if isinstance(before, ServerConnection) and before.serves(arm)
            else ServerConnection(arm.host, arm.port, bytes.fromhex(arm.greeting), arm.confirmed)
        )
    elif descriptors:
        route = Descriptor(descriptors[0], arm.ioctl)
    else:
        raise Unreachable("no descriptor came")
    if before is not None and before is not route:
        before.close()
    route.prepare()
    return route
