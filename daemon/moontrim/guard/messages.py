"""What the daemon and its guard process send each other: one JSON object in each packet."""

from __future__ import annotations

import array
import json
import socket
from dataclasses import asdict, dataclass
from typing import Any

BEAT_S = 0.1  # chosen: five beats may be late before the radio is unkeyed
LONGEST_PACKET = 4096  # bytes; chosen: several times the longest message


@dataclass(frozen=True, slots=True)
class Arm:
    """From now on the radio may be keyed.

    over: a number that grows. host, port: of a connection of the guard's own; host empty: the
    descriptor that comes with the packet. greeting, unkey: bytes in hexadecimal, sent once after
    connecting and to unkey. confirmed: a regular expression for the answer; empty: none is read.
    ioctl: the request that is done on the descriptor in place of writing, with `unkey` as its
    argument; 0: none. longest_s: the longest that it may stay keyed."""

    over: int
    host: str
    port: int
    greeting: str
    unkey: str
    confirmed: str
    ioctl: int
    longest_s: float


def encode(what: str, **values: Any) -> bytes:
    """Returns a packet."""
    return json.dumps({"what": what, **values}).encode()


def encode_arm(arm: Arm) -> bytes:
    """Returns the packet of an `Arm`."""
    return encode("arm", **asdict(arm))


def receive(sock: socket.socket) -> tuple[dict[str, Any], list[int]] | None:
    """Returns the next message and the descriptors that came with it; None at the end of the
    connection. Raises BlockingIOError when there is none."""
    # Not `socket.recv_fds`, which in some versions of Python ignores the flags and would wait.
    room = socket.CMSG_SPACE(array.array("i").itemsize)
    try:
        data, ancillary, _, _ = sock.recvmsg(LONGEST_PACKET, room, socket.MSG_DONTWAIT)
    except ConnectionResetError:
        # The other side ended without having read everything. That is told once, and before what it
        # sent last.
        data, ancillary, _, _ = sock.recvmsg(LONGEST_PACKET, room, socket.MSG_DONTWAIT)
    if not data:
        return None
    descriptors = array.array("i")
    for level, kind, content in ancillary:
        if (level, kind) == (socket.SOL_SOCKET, socket.SCM_RIGHTS):
            descriptors.frombytes(content[: len(content) - len(content) % descriptors.itemsize])
    return json.loads(data), list(descriptors)
