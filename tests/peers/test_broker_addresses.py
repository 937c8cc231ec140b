"""A broker whose host has two addresses, of which the first never answers: a real mosquitto, and a
socket with a full queue, so that the kernel drops what would connect to it."""

from __future__ import annotations

import asyncio
import socket
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from moontrim.path import Ephemeris
from support.mosquitto import Watch, other_broker, require_mosquitto, station
from support.rigctld import free_port

pytestmark = pytest.mark.peers

SILENT, HOST = "127.0.0.2", "shack"


def test_the_first_address_never_answers(
    tmp_path: Path, ephemeris: Ephemeris, monkeypatch: pytest.MonkeyPatch
) -> None:
    require_mosquitto()
    port = free_port()
    look_up = socket.getaddrinfo

    def two(host: Any, *others: Any, **named: Any) -> Any:
        if host != HOST:
            return look_up(host, *others, **named)
        return [one for name in (SILENT, "127.0.0.1") for one in look_up(name, *others, **named)]

    monkeypatch.setattr(socket, "getaddrinfo", two)

    async def main() -> None:
        with ExitStack() as at_exit:
            silent = at_exit.enter_context(socket.socket())
            silent.bind((SILENT, port))
            silent.listen(0)
            for _ in range(4):
                one = at_exit.enter_context(socket.socket())
                one.setblocking(False)
                one.connect_ex((SILENT, port))
            async with (
                other_broker(tmp_path, port=port),
                Watch.on(port) as watch,
                station(tmp_path, ephemeris, broker=HOST, port=port),
            ):
                await watch.online(4.0)

    asyncio.run(main())
