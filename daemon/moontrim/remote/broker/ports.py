"""The port of the child broker on this machine: the configured one, or one that is free."""

from __future__ import annotations

import errno
import logging
import socket

from moontrim.config.remote import RemoteSettings
from moontrim.remote.broker.configfile import LOOPBACK

log = logging.getLogger(__name__)


def usable_port(remote: RemoteSettings) -> int:
    """Returns the port to listen on: the configured one, else the usual one, else a free one.
    Raises OSError if the configured one, or one for other machines, is not free."""
    address, port = LOOPBACK, remote.broker_port
    if remote.lan:
        for other in (remote.tls_port, remote.plain_port):
            if other is not None:
                _require_free(remote.lan_address, other)
    try:
        _require_free(address, port)
        return port
    except OSError as error:
        if remote.port is not None or error.errno != errno.EADDRINUSE:
            raise
    free = _bind(address, 0)
    log.warning("port %d in use; the broker uses port %d instead", port, free)
    return free


def _require_free(address: str, port: int) -> None:
    """Raises OSError that names a port which is not free."""
    try:
        _bind(address, port)
    except OSError as error:
        raise OSError(error.errno, f"cannot listen on {address} port {port}: {error}") from None


def _bind(address: str, port: int) -> int:
    """Binds a socket for a moment; returns its port. Raises OSError."""
    with socket.socket() as trial:
        trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        trial.bind((address, port))
        return int(trial.getsockname()[1])
