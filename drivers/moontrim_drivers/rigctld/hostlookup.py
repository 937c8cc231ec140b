"""Looks up the addresses of a host by its name, in a thread of its own.

A resolver that gets no answer may hold its thread for minutes, and the event loop's own look-ups
share their few threads with the disk. There is one look-up at a time."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
import threading

from moontrim_drivers.contract import RigNotSuitable, RigUnreachable


class HostLookUp:
    """The look-up of one host. One that a deadline cut short goes on; the next call gets its
    answer."""

    def __init__(self) -> None:
        self._pending: tuple[str, asyncio.Future[list[str]]] | None = None

    async def addresses(self, host: str) -> list[str]:
        """Returns IP addresses, at least one. Raises RigUnreachable, or RigNotSuitable for a text
        that cannot be a name."""
        with contextlib.suppress(ValueError):
            ipaddress.ip_address(host)
            return [host]
        if self._pending is None or self._pending[0] != host:
            self._pending = host, self._begin(host)
        answer = self._pending[1]
        try:
            return await asyncio.shield(answer)  # a deadline ends the waiting, not the look-up
        finally:
            if answer.done():
                self._pending = None

    def _begin(self, host: str) -> asyncio.Future[list[str]]:
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[list[str]] = loop.create_future()

        def settle(outcome: list[str] | Exception) -> None:
            if answer.cancelled():
                return
            if isinstance(outcome, Exception):
                answer.set_exception(outcome)
                answer.exception()  # retrieved: perhaps nobody waits any more
            else:
                answer.set_result(outcome)

        def look_up() -> None:
            outcome = _resolved(host)
            with contextlib.suppress(RuntimeError):  # the loop is closed: nobody waits
                loop.call_soon_threadsafe(settle, outcome)

        threading.Thread(target=look_up, name=f"look-up of {host}", daemon=True).start()
        return answer


def _resolved(host: str) -> list[str] | Exception:
    try:
        addresses = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
    except OSError as error:
        return RigUnreachable(f"{host}: {error.strerror or error}")
    except UnicodeError:
        return RigNotSuitable(f"host: {host!r} is not a host name")
    return list(dict.fromkeys(str(address[0]) for *_, address in addresses)) or RigUnreachable(
        f"{host} has no address"
    )
