"""Telling the service manager how we are: one datagram of NAME=value lines to the socket that
$NOTIFY_SOCKET names (sd_notify(3), "Notes"). Never waits, never raises."""

from __future__ import annotations

import os
import socket
from collections.abc import MutableMapping

VARIABLE = "NOTIFY_SOCKET"
# Ours alone: programs we start must not speak to the manager in our name.
CLAIMED = (VARIABLE, "WATCHDOG_USEC", "WATCHDOG_PID")


class Notifier:
    """address: path of the socket, or @ and an abstract name; empty where nobody listens."""

    def __init__(self, address: str) -> None:
        self._address = "\0" + address[1:] if address.startswith("@") else address

    @classmethod
    def claimed(cls, environment: MutableMapping[str, str] = os.environ) -> Notifier:
        """For the socket of the environment, from which it is taken away."""
        address = environment.get(VARIABLE, "")
        for name in CLAIMED:
            environment.pop(name, None)
        return cls(address if address.startswith(("/", "@")) else "")

    @property
    def listening(self) -> bool:
        return bool(self._address)

    def tell(self, **values: str | int) -> bool:
        """Such as tell(READY=1, STATUS="on frequency"). False if it did not get through."""
        if not self._address:
            return False
        lines = (f"{name}={' '.join(str(value).split())}" for name, value in values.items())
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
                out.setblocking(False)
                out.sendto("\n".join(lines).encode(errors="replace"), self._address)
        except OSError:  # a full queue too: the next word makes up for it
            return False
        return True
