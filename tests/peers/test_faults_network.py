"""The network goes away for real, in a network namespace of its own whose loopback is taken down:
no end of the connection and no reset, only silence (needs root or user namespaces; skipped
without).

A radio behind a socket is found out, lost and back; a program that holds the key through the share
is noticed, too, and its key falls."""

from __future__ import annotations

import asyncio
import fcntl
import json
import socket
import struct
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import pytest

from moontrim.clock.system import SystemClock
from moontrim.path import Ephemeris
from moontrim.rig.link import RigLink
from moontrim.rig.view import LinkState
from moontrim_drivers.rigctld.driver import SocketDriver, SocketOptions
from moontrim_drivers.simulated.options import SimulatedOptions
from moontrim_drivers.simulated.radio import SimulatedRadio
from moontrim_drivers.simulated.rigctld import SimSocket
from support.shared import Stand, play_shared
from support.unshared import unshared

pytestmark = pytest.mark.peers

DEADLINE_S, POLL_S = 0.8, 0.4
SLOW_S = 5.0  # for a busy machine
SIOCGIFFLAGS, SIOCSIFFLAGS, IFF_UP = 0x8913, 0x8914, 1  # netdevice(7)


@pytest.fixture(scope="module")
def seen() -> dict[str, Any]:
    command = [sys.executable, __file__]
    return unshared("n", command, "begun", "no network namespace may be made here", 100)


@pytest.mark.long
def test_a_pulled_cable_is_a_radio_lost_within_the_deadline(seen: dict[str, Any]) -> None:
    assert seen["lost_s"] <= POLL_S + DEADLINE_S + SLOW_S
    assert "answer" in seen["reason"] or "ended the connection" in seen["reason"], seen["reason"]
    assert seen["changed_while_down"] == 0, "nothing is left to arrive when it is plugged in again"


def test_it_is_back_soon_after_the_cable_is(seen: dict[str, Any]) -> None:
    assert seen["back_s"] <= 3.0 + SLOW_S


def test_a_program_whose_machine_is_gone_does_not_keep_the_key(seen: dict[str, Any]) -> None:
    """Asked after 5 s of silence, then every 3 s, three times."""
    assert 5.0 <= seen["key_fell_s"] <= 14.0 + 3.0 + SLOW_S


# --- in a process and a namespace of their own ----------------------------------------------------


def loopback(up: bool) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as control:
        request = struct.pack("16sH14x", b"lo", 0)
        flags = struct.unpack("16sH14x", fcntl.ioctl(control, SIOCGIFFLAGS, request))[1]
        flags = flags | IFF_UP if up else flags & ~IFF_UP
        fcntl.ioctl(control, SIOCSIFFLAGS, struct.pack("16sH14x", b"lo", flags))


async def until(is_so: Any, within_s: float) -> float:
    began_s = time.monotonic()
    while not is_so():
        assert time.monotonic() - began_s < within_s, "never"
        await asyncio.sleep(0.01)
    return time.monotonic() - began_s


async def scene(stand: Stand, seen: dict[str, Any]) -> None:
    clock = SystemClock()
    radio = SimulatedRadio(SimulatedOptions(latency_s=0.002), clock)
    server = SimSocket(radio)
    async with await server.listen(), stand.program() as program:
        driver = SocketDriver(SocketOptions(port=server.port), clock)
        link = RigLink(
            driver,
            clock,
            lambda event: None,
            deadline_s=DEADLINE_S,
            poll_s=POLL_S,
            max_steps_per_s=5.0,
            seed=1,
        )
        running = asyncio.create_task(link.run())
        await until(lambda: link.view.state is LinkState.READY, 20.0)
        assert await program.ask("T 1") == "RPRT 0" and stand.keying.keyed
        changed: list[object] = []
        radio.on_change = lambda *change: changed.append(change)
        loopback(False)
        down_s = time.monotonic()
        seen["lost_s"] = await until(lambda: link.view.state is LinkState.NO_CONTACT, 30.0)
        seen["reason"] = link.view.reason
        await until(lambda: not stand.keying.keyed, 60.0)
        seen["key_fell_s"] = time.monotonic() - down_s
        loopback(True)
        seen["back_s"] = await until(lambda: link.view.state is LinkState.READY, 30.0)
        seen["changed_while_down"] = len(changed)
        link.retire(None, None)
        await running
        await server.hang_up()


if __name__ == "__main__":
    loopback(True)
    print("begun", file=sys.stderr, flush=True)
    found: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(play_shared(Path(folder), Ephemeris.load(), lambda stand: scene(stand, found)))
    print(json.dumps(found))
