"""A daemon that is stopped, killed or hung while the radio is keyed by a command: the guard process
unkeys it within a second, and nothing keys it again by itself. With real processes: the simulated
radio on a serial line and on a socket, and the real rig-control daemon with its dummy radio."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import shutil
import signal
import struct
import termios
import time
from pathlib import Path

import pytest

from moontrim.guard.deadman import AFTER_LONGEST_S
from moontrim.guard.unkeyguard import NO_ANSWER_S
from support.effort import cases, effort
from support.keyed_station import UNKEYED_S, Station, dummy, simulated
from support.processor import within
from support.rigctld import require_rigctld

pytestmark = pytest.mark.peers

TIMES = effort(3, 8, 20)


async def stopped_again_and_again(station: Station) -> None:
    took_s = []
    for turn in range(TIMES):
        await station.key()
        await asyncio.sleep(0.05 * (turn % 7))
        took_s.append(await station.stop())
        await asyncio.sleep(0.3)
        station.process.send_signal(signal.SIGCONT)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(station.radio.keyed.wait(), 1.0)
            raise AssertionError(f"keyed again by itself:\n{station.log()}")
        await station.ask("T 0")
    print(f"unkeyed after {min(took_s):.2f} to {max(took_s):.2f} s: {sorted(took_s)}")


@pytest.mark.parametrize("bus", cases("civ", "socket", "asciicat"))
def test_stopped_again_and_again_the_radio_is_unkeyed(bus: str, tmp_path: Path) -> None:
    async def scene() -> None:
        async with (
            simulated(bus, tmp_path) as (radio, options),
            Station(tmp_path, radio, bus, options) as station,
        ):
            await stopped_again_and_again(station)
        named = [text for text in station.journal() if "moontrim did not run for" in text]
        assert len(named) >= TIMES, named

    asyncio.run(scene())


@pytest.mark.long
def test_stopped_again_and_again_beside_the_real_rig_control_daemon(tmp_path: Path) -> None:
    require_rigctld()

    async def scene() -> None:
        async with (
            dummy(tmp_path) as (radio, options),
            Station(tmp_path, radio, "socket", options) as station,
        ):
            await stopped_again_and_again(station)

    asyncio.run(scene())


# The daemon with a busy loop on demand, and without its own limit of an over.
DEFECTIVE = """
import signal, sys, time
from moontrim.cli.main import main
from moontrim.keying import keyer

def hang(*_):
    until_s = time.monotonic() + 3.0
    while time.monotonic() < until_s:
        pass

judge = keyer.hindrances
keyer.hindrances = lambda conditions, settings, over_s=0.0: judge(conditions, settings, 0.0)
signal.signal(signal.SIGUSR1, hang)
sys.exit(main())
"""


@pytest.mark.parametrize("bus", cases("socket", "civ", "asciicat"))
def test_hung_in_a_busy_loop_the_radio_is_unkeyed(bus: str, tmp_path: Path) -> None:
    async def scene() -> None:
        async with (
            simulated(bus, tmp_path) as (radio, options),
            Station(tmp_path, radio, bus, options, program=("-c", DEFECTIVE)) as station,
        ):
            await station.key()
            began_s = time.monotonic()
            station.process.send_signal(signal.SIGUSR1)
            async with within(UNKEYED_S):
                await radio.unkeyed.wait()
            print(f"{bus}: unkeyed after {time.monotonic() - began_s:.2f} s")
            await asyncio.sleep(4.0)
            assert not radio.keyed.is_set(), "keyed again by itself"
            assert "moontrim did not run for" in station.log()

    asyncio.run(scene())


@pytest.mark.parametrize("bus", cases("civ", "socket"))
def test_the_longest_over_ends_though_the_daemon_does_not_end_it(bus: str, tmp_path: Path) -> None:
    longest_s = 3.0

    async def scene() -> None:
        async with (
            simulated(bus, tmp_path) as (radio, options),
            Station(tmp_path, radio, bus, options, longest_s, ("-c", DEFECTIVE)) as station,
        ):
            await station.key()
            began_s = time.monotonic()
            async with within(longest_s + AFTER_LONGEST_S + UNKEYED_S):
                await radio.unkeyed.wait()
            print(f"{bus}: unkeyed after {time.monotonic() - began_s:.2f} s")
            async with within(2.0):  # it tells once it has sent the command several times
                while "guard: the over has passed its limit of 3 s" not in station.log():
                    await asyncio.sleep(0.05)

    asyncio.run(scene())


@pytest.mark.parametrize("bus", cases("civ", "socket"))
def test_killed_while_keyed(bus: str, tmp_path: Path) -> None:
    async def scene() -> None:
        async with simulated(bus, tmp_path) as (radio, options):
            for _ in range(effort(1, 3, 3)):
                # A start after a kill inhibits transmit until somebody permits it.
                shutil.rmtree(tmp_path / "state", ignore_errors=True)
                async with Station(tmp_path, radio, bus, options) as station:
                    await station.key()
                    guard = station.guard()
                    began_s = time.monotonic()
                    station.process.kill()
                    async with within(UNKEYED_S):
                        await radio.unkeyed.wait()
                    await station.process.wait()
                    print(f"unkeyed after {time.monotonic() - began_s:.2f} s")
                    async with within(2.0):
                        # One that has ended may wait for the system to take note of it.
                        while guard.is_running() and guard.status() != "zombie":
                            await asyncio.sleep(0.02)

    asyncio.run(scene())


@pytest.mark.parametrize("how", cases(signal.SIGKILL, signal.SIGSTOP))
def test_a_guard_that_dies_or_hangs_ends_the_over_and_the_next_has_another(
    how: signal.Signals, tmp_path: Path
) -> None:
    async def scene() -> None:
        async with (
            simulated("civ", tmp_path) as (radio, options),
            Station(tmp_path, radio, "civ", options) as station,
        ):
            await station.key()
            guard = station.guard()
            guard.send_signal(how)
            async with within(UNKEYED_S if how is signal.SIGKILL else NO_ANSWER_S + UNKEYED_S):
                await radio.unkeyed.wait()
            assert "no guard: the guard process" in station.log()
            assert await station.ask("T 1") != "RPRT 0", "the key has not been released"
            await station.ask("T 0")
            await station.key()
            assert station.guard().pid != guard.pid
            await station.stop()

    asyncio.run(scene())


def test_the_guard_ends_with_the_daemon_and_holds_no_port(tmp_path: Path) -> None:
    async def scene() -> None:
        async with simulated("civ", tmp_path) as (radio, options):
            async with Station(tmp_path, radio, "civ", options) as station:
                await station.key()
                guard = station.guard()
                await station.ask("T 0")
                await radio.unkeyed.wait()
                await asyncio.sleep(0.3)
                files = Path(f"/proc/{guard.pid}/fd").iterdir()
                links = [str(file.readlink()) for file in files]
                assert not any(link.startswith("/dev/pts/") for link in links), links
            async with within(2.0):
                while guard.is_running():
                    await asyncio.sleep(0.02)

    asyncio.run(scene())


# The daemon with a pseudo-terminal for the port of a line, since it has no modem lines: its size
# stands for them.
SIZE = "HHHH"
RAISED, LOWERED = (1, 1, 0, 0), (2, 2, 0, 0)
LINES = f"""
import fcntl, os, struct, sys, termios
from functools import partial
from moontrim.app import transmitting
from moontrim.cli.main import main
from moontrim_drivers.emergencyunkey import EmergencyUnkey

class PtyLines:
    def __init__(self, path):
        self.fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
        self.set("rts", False)
    def set(self, line, on):
        size = struct.pack({SIZE!r}, *({RAISED} if on else {LOWERED}))
        fcntl.ioctl(self.fd, termios.TIOCSWINSZ, size)
    def get(self, line):
        return False
    def emergency_lower(self, line):
        lower = termios.TIOCSWINSZ, struct.pack({SIZE!r}, *{LOWERED})
        return EmergencyUnkey(descriptor=self.fd, ioctl=lower)
    def close(self):
        self.set("rts", False)
        os.close(self.fd)

transmitting.Ports = partial(transmitting.Ports, opener=PtyLines)
sys.exit(main())
"""


@pytest.mark.parametrize("how", cases(signal.SIGSTOP, signal.SIGKILL))
def test_a_line_that_keys_the_radio_is_released(how: signal.Signals, tmp_path: Path) -> None:
    master, port = os.openpty()

    def raised() -> bool:
        size = fcntl.ioctl(master, termios.TIOCGWINSZ, bytes(struct.calcsize(SIZE)))
        return struct.unpack(SIZE, size) == RAISED

    key = (
        f'kind = "rts"\nport = "{os.ttyname(port)}"\nname = "ptt"\nsettle_ms = 0\nkeys_radio = true'
    )

    async def scene() -> None:
        async with (
            simulated("socket", tmp_path) as (radio, options),
            Station(tmp_path, radio, "socket", options, program=("-c", LINES), key=key) as station,
        ):
            await station.key(by_line=True)
            assert raised()
            async with within(UNKEYED_S):
                station.process.send_signal(how)
                while raised():
                    await asyncio.sleep(0.01)
            if how is signal.SIGKILL:
                return
            station.process.send_signal(signal.SIGCONT)
            async with within(5.0):
                while "has been released" not in station.log():
                    await asyncio.sleep(0.05)
            assert await station.ask("T 1") != "RPRT 0", "the key has not been released"
            await station.ask("T 0")
            assert not raised()
            await station.key(by_line=True)
            assert raised()

    asyncio.run(scene())
    assert not raised()
    os.close(master)
    os.close(port)
