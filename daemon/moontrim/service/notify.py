"""Messages to the service manager: datagrams of NAME=value lines to the socket that $NOTIFY_SOCKET
names (sd_notify(3), "Notes"). Never waits, never raises."""

from __future__ import annotations

import os
import socket
from collections.abc import MutableMapping

VARIABLE = "NOTIFY_SOCKET"
# Removed from the environment, so that programs started by the daemon do not speak in its name.
CLAIMED = (VARIABLE, "WATCHDOG_USEC", "WATCHDOG_PID")


class Notifier:
    """Sends messages to a socket. address: its path, or @ and an abstract name; empty for none."""

    def __init__(self, address: str) -> None:
        self._address = "\0" + address[1:] if address.startswith("@") else address

    @classmethod
    def claimed(cls, environment: MutableMapping[str, str] = os.environ) -> Notifier:
        """Returns a notifier for the socket named in the environment, and removes it there."""
        address = environment.get(VARIABLE, "")
        for name in CLAIMED:
            environment.pop(name, None)
        return cls(address if address.startswith(("/", "@")) else "")

    @property
    def listening(self) -> bool:
        """Is there a socket to send to?"""
        return bool(self._address)

    def tell(self, **values: str | int) -> bool:
        """Sends values, such as READY=1, STATUS="on frequency". Returns False if that failed."""
        if not self._address:
            return False
        lines = (f"{name}={' '.join(str(value).split())}" for name, value in values.items())
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
                out.setblocking(False)
                out.sendto("\n".join(lines).encode(errors="replace"), self._address)
        except OSError:  # also for a full queue: the next message makes up for it
            return False
        return True
