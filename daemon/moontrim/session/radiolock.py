"""One daemon of this machine on a rig-control server, which lets in any number of programs.

The lock is a name of the kernel (an abstract Unix socket, unix(7)): it holds for every user and
every state folder, leaves no file behind, and ends with the process. A daemon has the name of the
server that it uses, and of its own share, which already shows a corrected radio. A daemon on
another machine is recognised by what it does to the dials (`tracking.otherprogram`)."""

from __future__ import annotations

import contextlib
import errno
import logging
import socket
from collections.abc import Iterator

from moontrim.errors import InputError

log = logging.getLogger(__name__)


@contextlib.contextmanager
def only_daemon_on(address: str) -> Iterator[None]:
    """Locks the address of a rig-control server for this process; empty: there is nothing to lock.
    Raises InputError if another moontrim of this machine has it."""
    with contextlib.ExitStack() as at_exit:
        if address:
            try:
                at_exit.enter_context(_named(address))
            except OSError as error:
                if error.errno == errno.EADDRINUSE:
                    allowed = (
                        "a rig-control server that no other moontrim uses or is at this moment"
                    )
                    raise InputError("radio.options", address, allowed) from None
                log.warning("no lock for %s: %s", address, error)
        yield


@contextlib.contextmanager
def share_at(port: int) -> Iterator[None]:
    """Has other daemons of this machine refuse the share at this port as their radio."""
    with contextlib.ExitStack() as at_exit:
        try:
            at_exit.enter_context(_named(f"localhost port {port}"))
        except OSError as error:
            log.warning("no lock for the share at port %d: %s", port, error)
        yield


def _named(address: str) -> socket.socket:
    """Returns a socket that holds the name of an address. Raises OSError."""
    lock = socket.socket(socket.AF_UNIX)
    try:
        lock.bind(f"\0moontrim radio {address}")
    except OSError:
        lock.close()
        raise
    return lock
