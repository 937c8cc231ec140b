"""Listens for other programs, and keeps their number and their failures from the daemon.

`Share(settings.share, ...).run` is a companion of the daemon. A port that cannot be had is one line
in the log and tried again; nothing here ends the daemon."""

from __future__ import annotations

import asyncio
import itertools
import logging
from collections.abc import Callable
from typing import cast

from moontrim.clock.system import Clock, SystemClock
from moontrim.config.share import ShareSettings
from moontrim.share.connection import Client
from moontrim.share.sharedradio import RigAccess, Shared, SharedRadio, Transmit

log = logging.getLogger(__name__)

AGAIN_S = 15.0
FAREWELL_S = 1.0


class Share:
    """The share of one daemon.

    transmit: the keying; None: a transmit request is answered with "not available". rig: mode and
    power. clock: a real one always, as the sockets are. on_ready: called with the port once it can
    be connected to. port: 0 takes a free one, whatever the settings say (for tests)."""

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
        self._clients: set[Client] = set()
        self._numbers = itertools.count(1)
        self._full = False

    async def run(self, daemon: Shared) -> None:
        """Serve until cancelled."""
        if not self._settings.enabled:
            return
        radio = SharedRadio(daemon, self._transmit, self._rig, self._clock)
        server = await self._listen(radio)
        try:
            port = server.sockets[0].getsockname()[1]
            log.info("other programs can use the radio at %s port %d", self._where(), port)
            self._on_ready(port)
            await asyncio.get_running_loop().create_future()
        finally:
            server.close()
            await self._dismiss()

    async def _listen(self, radio: SharedRadio) -> asyncio.Server:
        said = ""
        while True:
            try:
                return await asyncio.get_running_loop().create_server(
                    lambda: _Door(lambda transport: self._admit(radio, transport)),
                    self._settings.addresses,
                    self._port,
                    backlog=16,
                )
            except (OSError, OverflowError) as error:
                if str(error) != said:
                    said = str(error)
                    where = f"{self._where()} port {self._port}"
                    log.error("no share for other programs: cannot listen on %s: %s", where, error)
            await self._clock.sleep(AGAIN_S)

    def _where(self) -> str:
        return ", ".join(self._settings.addresses)

    def _admit(self, radio: SharedRadio, transport: asyncio.Transport) -> Client | None:
        """None: no more."""
        if len(self._clients) >= self._settings.clients:
            if not self._full:
                self._full = True
                log.warning("share: %d programs are connected, no more", len(self._clients))
            return None
        host = str((transport.get_extra_info("peername") or ("?",))[0])
        near = _is_near(host)
        client = Client(
            radio,
            f"share {next(self._numbers)}" + ("" if near else f" ({host})"),
            may_transmit=near or self._settings.lan_transmit,
            ended=self._gone,
        )
        self._clients.add(client)
        return client

    def _gone(self, client: Client) -> None:
        self._clients.discard(client)
        if 2 * len(self._clients) <= self._settings.clients:
            self._full = False

    async def _dismiss(self) -> None:
        """Everyone out; the keys are let go of at once, before anything is waited for."""
        tasks = [client.task for client in self._clients if client.task is not None]
        for client in tuple(self._clients):
            client.abort()
        for task in tasks:
            task.cancel()
        if tasks:
            async with self._clock.timeout(FAREWELL_S):
                await asyncio.gather(*tasks, return_exceptions=True)


class _Door(asyncio.Protocol):
    """Decides, once it is known who is there, whether there is a client; then steps aside."""

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


def _is_near(host: str) -> bool:
    return host == "::1" or host.removeprefix("::ffff:").startswith("127.")
