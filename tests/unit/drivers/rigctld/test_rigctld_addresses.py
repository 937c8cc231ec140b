"""A host with several addresses, some of which never answer: real sockets, one of which has a full
queue, so that the kernel drops what would connect to it."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import pytest

from moontrim.clock.system import SystemClock
from moontrim_drivers.contract import RigUnreachable
from moontrim_drivers.rigctld.driver import SocketDriver
from moontrim_drivers.rigctld.options import SocketOptions
from moontrim_drivers.rigctld.staggered import connect_first
from support.fake_rig_server import FakeRigServer
from support.processor import within

SILENT = "127.0.0.2"


@contextmanager
def silent(port: int) -> Iterator[None]:
    """An address where connecting takes for ever."""
    with ExitStack() as at_exit:
        listening = at_exit.enter_context(socket.socket())
        listening.bind((SILENT, port))
        listening.listen(0)
        for _ in range(4):
            one = at_exit.enter_context(socket.socket())
            one.setblocking(False)
            one.connect_ex((SILENT, port))
        yield


def test_an_address_that_never_answers_does_not_keep_from_the_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As with a name that has an IPv6 address which leads nowhere."""

    async def main() -> None:
        async with FakeRigServer() as rig:
            with silent(rig.port):
                addresses = [SILENT, "127.0.0.1"]
                monkeypatch.setattr(
                    "moontrim_drivers.rigctld.hostlookup._resolved", lambda host: addresses
                )
                driver = SocketDriver(SocketOptions(host="shack", port=rig.port), SystemClock())
                before = asyncio.all_tasks()
                began_s = asyncio.get_running_loop().time()
                async with within(1.5):
                    await driver.open()
                assert asyncio.get_running_loop().time() - began_s >= 0.2, "the first goes first"
                assert rig.connections() == 1
                await driver.close()
                assert asyncio.all_tasks() - before <= rig_tasks(), "nothing is left"

    def rig_tasks() -> set[asyncio.Task[object]]:
        return {task for task in asyncio.all_tasks() if "_serve" in repr(task)}

    asyncio.run(main())


def test_refused_addresses_are_passed_over_at_once() -> None:
    async def main() -> None:
        async with FakeRigServer() as rig:
            began_s = asyncio.get_running_loop().time()
            one = await connect_first([SILENT, "127.0.0.3", "127.0.0.1"], rig.port, SystemClock())
            assert asyncio.get_running_loop().time() - began_s < 0.2
            one.close()
            with pytest.raises(RigUnreachable):
                await connect_first([SILENT, "127.0.0.3"], rig.port, SystemClock())

    asyncio.run(main())
