"""The native protocol of the systemd journal: one datagram of fields for each entry (systemd.io,
"Native Journal Protocol")."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

PATH = "/run/systemd/journal/socket"
STREAM = "JOURNAL_STREAM"
LONGEST_VALUE = 60_000  # chosen: bytes; a datagram takes about 200 kB


def encode(fields: Mapping[str, str]) -> bytes:
    """Returns the datagram: NAME=value and a line feed; a value of several lines as NAME, line
    feed, its length in bytes as 64 bits little-endian, the value, line feed."""
    parts = []
    for name, value in fields.items():
        data = value.encode(errors="replace")[:LONGEST_VALUE]
        if b"\n" in data:
            parts += [name.encode(), b"\n", len(data).to_bytes(8, "little"), data, b"\n"]
        else:
            parts += [name.encode(), b"=", data, b"\n"]
    return b"".join(parts)


def send(fields: Mapping[str, str], path: str = PATH) -> None:
    """Sends an entry; waits while the journal takes no more. Raises OSError if there is none."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
        out.sendto(encode(fields), path)


def is_journal(descriptor: int, environment: Mapping[str, str] = os.environ) -> bool:
    """Is the descriptor a stream to the journal? The variable contains device and inode of the
    stream, since it may have been redirected after the manager set it (systemd.exec(5))."""
    try:
        stream = os.fstat(descriptor)
    except OSError:
        return False
    return environment.get(STREAM) == f"{stream.st_dev}:{stream.st_ino}"
