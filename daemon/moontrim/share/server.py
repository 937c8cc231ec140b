"""Listens for other programs, and protects the daemon from their number and their failures.

`Share(settings.share, ...).run` is a companion of the daemon. A port that is not free is one line
in the log and tried again; no failure of the share ends the daemon."""

from __future__ import annotations

import asyncio
import itertools
import logging
from collections.abc import Callable
from typing import cast

from moontrim.clock.system import Clock, SystemClock
from moontrim.config.share import ShareSettings
from moontrim.session.radiolock import share_at
from moontrim.share.connection import Client
from moontrim.share.peeruser import AllowedUsers
from moontrim.share.sharedradio import DaemonAccess, RigAccess, SharedRadio, Transmit

log = logging.getLogger(__name__)

RETRY_S = 15.0  # chosen: between attempts to listen
FAREWELL_S = 1.0  # chosen: for all connections to end when the daemon stops


class Share:
    """The share of one daemon.

    transmit: the keying; None answers a transmit request with "not available". rig: mode and power.
    clock: a real one always, since the sockets run in real time. on_ready: called with the port
    once it accepts connections. port: instead of the one in the settings; 0 takes a free one.
    Raises InputError for a user in the settings that is unknown on this machine."""

    def __init__(
        self,
        settings: ShareSettings,
        *,
        transmit: Transmit | None = None,
        rig: RigAccess | None = None,
        clock: Clock | None = None,
        on_ready: Callable[[int], object] = lambda port: None,
        port: int | None = None,
    ) -> None:
        self._settings = settings
        self._transmit = transmit
        self._rig = rig or RigAccess()
        self._clock = clock or SystemClock()
        self._on_ready = on_ready
        self._port = settings.port if port is None else port
        self._allowed_users = AllowedUsers(settings.users)
        self._clients: set[Client] = set()
        self._numbers = itertools.count(1)
        self._radio: SharedRadio | None = None
        self._full = False

    def warnings(self) -> tuple[str, ...]:
        """Returns what the operator should know of the programs on it."""
        warning = self._radio.warning if self._radio else ""
        return (warning,) if warning else ()

    async def run(self, daemon: DaemonAccess) -> None:
        """Serves until cancelled; returns at once where the share is not enabled."""
        if not self._settings.enabled:
            return
        self._radio = radio = SharedRadio(daemon, self._transmit, self._rig, self._clock)
        server = await self._listen(radio)
        try:
            port = server.sockets[0].getsockname()[1]
            log.info("other programs can use the radio at %s port %d", self._addresses(), port)
            with share_at(port):
                self._on_ready(port)
                await asyncio.get_running_loop().create_future()
        finally:
            server.close()
            await self._dismiss()

    async def _listen(self, radio: SharedRadio) -> asyncio.Server:
        last_error = ""
        while True:
            try:
                return await asyncio.get_running_loop().create_server(
                    lambda: _PendingConnection(lambda transport: self._admit(radio, transport)),
                    self._settings.addresses,
                    self._port,
                    backlog=16,
                )
            except (OSError, OverflowError) as error:
                if str(error) != last_error:
                    last_error = str(error)
                    address = f"{self._addresses()} port {self._port}"
                    log.error(
                        "no share for other programs: cannot listen on %s: %s", address, error
                    )
            await self._clock.sleep(RETRY_S)

    def _addresses(self) -> str:
        return ", ".join(self._settings.addresses)

    def _admit(self, radio: SharedRadio, transport: asyncio.Transport) -> Client | None:
        """Returns a client for a new connection, None if there are too many already or its user may
        not use the share."""
        if len(self._clients) >= self._settings.clients:
            if not self._full:
                self._full = True
                log.warning("share: connection rejected: %d programs connected", len(self._clients))
            return None
        peer, this_end = (
            transport.get_extra_info(name) or ("?", 0) for name in ("peername", "sockname")
        )
        host = str(peer[0])
        local = _is_this_machine(host)
        if local and (objection := self._allowed_users.objection(peer[:2], this_end[:2])):
            log.warning("share: connection from this machine rejected: %s", objection)
            if not self._settings.lan:
                return None
            local = False  # no more than a program on another machine
        client = Client(
            radio,
            f"share {next(self._numbers)}" + ("" if local else f" ({host})"),
            may_transmit=local or self._settings.lan_transmit,
            ended=self._gone,
        )
        self._clients.add(client)
        return client

    def _gone(self, client: Client) -> None:
        self._clients.discard(client)
        if 2 * len(self._clients) <= self._settings.clients:
            self._full = False

    async def _dismiss(self) -> None:
        """Ends all connections. Their keys are released first, before anything is awaited."""
        tasks = [client.task for client in self._clients if client.task is not None]
        for client in tuple(self._clients):
            client.abort()
        for task in tasks:
            task.cancel()
        if tasks:
            async with self._clock.timeout(FAREWELL_S):
                await asyncio.gather(*tasks, return_exceptions=True)


class _PendingConnection(asyncio.Protocol):
    """The protocol of a connection until its other end is known; then a `Client` takes over, or the
    connection ends."""

    def __init__(self, admit: Callable[[asyncio.Transport], Client | None]) -> None:
        self._admit = admit

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        transport = cast(asyncio.Transport, transport)
        client = self._admit(transport)
        if client is None:
            transport.abort()
            return
        transport.set_protocol(client)
        client.connection_made(transport)


def _is_this_machine(host: str) -> bool:
    return host == "::1" or host.removeprefix("::ffff:").startswith("127.")
