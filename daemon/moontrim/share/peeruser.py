"""Which user of this machine is at the other end of a TCP connection, by the kernel's table of
sockets (Linux; proc(5), /proc/net/tcp).

Not by SO_PEERCRED, which TCP does not have; and not by netlink, which the service may not use."""

from __future__ import annotations

import contextlib
import ipaddress
import os
import pwd
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from moontrim.config.share import EVERYONE
from moontrim.errors import InputError

TABLES = (Path("/proc/self/net/tcp"), Path("/proc/self/net/tcp6"))
OVERFLOW_UID = Path("/proc/sys/kernel/overflowuid")
USUAL_OVERFLOW_UID = 65534  # user_namespaces(7)
UID, INODE = 4, 6  # fields after both ends of a connection


class AllowedUsers:
    """The users of this machine who may use the share: the one who runs moontrim, root, and those
    of the config. Raises InputError for a name that is unknown here."""

    def __init__(self, names: Sequence[str], tables: Sequence[Path] = TABLES) -> None:
        self._tables = tables
        self._everyone = EVERYONE in names
        self._uids = {0, os.geteuid()}
        for name in names:
            if name != EVERYONE:
                try:
                    self._uids.add(pwd.getpwnam(name).pw_uid)
                except KeyError:
                    expected = 'the name of a user of this machine, or "*" for all'
                    raise InputError("share.users", name, expected) from None

    def objection(self, peer: tuple[str, int], local: tuple[str, int]) -> str:
        """Returns why the user at the other end may not use the share, with the remedy; empty if
        allowed. peer, local: address and port of both ends of the connection."""
        if self._everyone:
            return ""
        uid = peer_uid(peer, local, self._tables)
        if uid is None:
            return 'cannot tell which user it is; set share.users = ["*"] to allow every user'
        if uid in self._uids:
            return ""
        try:
            name = pwd.getpwuid(uid).pw_name
        except KeyError:
            return f"user number {uid} is not allowed"
        return f'user {name} is not allowed; add "{name}" to share.users'


def peer_uid(
    peer: tuple[str, int], local: tuple[str, int], tables: Sequence[Path] = TABLES
) -> int | None:
    """Returns the user who holds the socket at the other end; None if that cannot be told."""
    for table in tables:
        with contextlib.suppress(OSError, ValueError, IndexError):
            text = table.read_text(encoding="ascii")  # searched as text: it may have many lines
            for row in _rows(text, peer, local):
                # A socket that nobody holds any more is shown as root's, without an inode.
                if int(row[INODE]):
                    uid = int(row[UID])
                    return None if uid == _overflow_uid() else uid
    return None


def _rows(text: str, peer: tuple[str, int], local: tuple[str, int]) -> Iterator[list[str]]:
    """Yields the fields that follow both ends of each socket of the peer's."""
    for shown in (_ipv4, _ipv6):
        ends = f" {shown(*peer)} {shown(*local)} "
        start = text.find(ends)
        while start >= 0:
            start += len(ends)
            yield text[start : text.find("\n", start)].split()
            start = text.find(ends, start)


def _ipv4(host: str, port: int) -> str:
    address = ipaddress.ip_address(host)
    return _in_table(getattr(address, "ipv4_mapped", None) or address, port)


def _ipv6(host: str, port: int) -> str:
    address = ipaddress.ip_address(host)
    if address.version == 4:
        address = ipaddress.IPv6Address(f"::ffff:{address}")
    return _in_table(address, port)


def _in_table(address: ipaddress.IPv4Address | ipaddress.IPv6Address, port: int) -> str:
    """Returns an end as the table shows it: 32-bit numbers in the machine's
    byte order, then the port."""
    packed = address.packed
    parts = (packed[start : start + 4] for start in range(0, len(packed), 4))
    return "".join(f"{int.from_bytes(part, sys.byteorder):08X}" for part in parts) + f":{port:04X}"


def _overflow_uid() -> int:
    """Returns what a user is shown as who does not exist in this user namespace."""
    try:
        return int(OVERFLOW_UID.read_text(encoding="ascii"))
    except (OSError, ValueError):
        return USUAL_OVERFLOW_UID
