"""The addresses of a host by its name, looked up in a thread that nobody else needs.

Owns the rule that there is one look-up at a time. A resolver that nobody answers holds a thread for
as long as it likes; the event loop's own look-ups share their few threads with the disk."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
import threading

from moontrim_drivers.contract import RigUnfit, RigUnreachable


class LookUp:
    """A look-up that was given up goes on by itself; whoever asks next gets its answer."""

    def __init__(self) -> None:
        self._pending: tuple[str, asyncio.Future[list[str]]] | None = None

    async def addresses(self, host: str) -> list[str]:
        """IP addresses, at least one. Raises RigUnreachable, or RigUnfit for what is no name."""
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

        def settle(found: list[str] | Exception) -> None:
            if answer.cancelled():
                return
            if isinstance(found, Exception):
                answer.set_exception(found)
                answer.exception()  # perhaps nobody asks any more
            else:
                answer.set_result(found)

        def look_up() -> None:
            found = _resolved(host)
            with contextlib.suppress(RuntimeError):  # the loop is closed: nobody waits
                loop.call_soon_threadsafe(settle, found)

        threading.Thread(target=look_up, name=f"look-up of {host}", daemon=True).start()
        return answer


def _resolved(host: str) -> list[str] | Exception:
    try:
        found = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
    except OSError as error:
        return RigUnreachable(f"{host}: {error.strerror or error}")
    except UnicodeError:
        return RigUnfit(f"host: {host!r} is no host name")
    return list(dict.fromkeys(str(address[0]) for *_, address in found)) or RigUnreachable(
        f"{host} has no address"
    )
