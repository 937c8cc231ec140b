"""The daemon's own stall is not the radio's: a process that was put aside blames no radio."""

from __future__ import annotations

import asyncio
import random

import pytest

from moontrim.clock.virtual import VirtualClock
from moontrim.rig.view import LinkState
from scenario.test_serial_events import Station, VirtualLine
from support.serial_bench import BUSES


@pytest.mark.parametrize("bus", BUSES)
def test_two_hundred_stalls_lose_no_radio(bus: str) -> None:
    """At random instants, also amid an exchange, the process stands still for 0.02 to 2 s; the
    radio answers meanwhile, and its answer waits to be read."""
    clock = VirtualClock(1_795_000_000.0)
    chance = random.Random(16)

    async def main() -> None:
        station = Station(bus, clock, VirtualLine, seed=16)
        jobs = station.line.run(), station.link.run(), station._want()
        tasks = [asyncio.create_task(job) for job in jobs]
        await clock.sleep(3.0)
        assert station.right()
        before = station.link.view
        amid = 0
        for _ in range(200):
            await clock.sleep(chance.uniform(0.3, 1.3))
            # While an answer is due, most often; the poll leaves gaps between the exchanges.
            for _ in range(chance.randrange(400)):
                if station.driver.conversation._exchange is not None:
                    break
                await clock.sleep(0.001)
            amid += station.driver.conversation._exchange is not None
            clock.stall(chance.choice([0.02, 0.35, 2.0]))
        await clock.sleep(3.0)
        view = station.link.view
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        assert (view.state, view.failures) == (LinkState.READY, before.failures), view
        assert view.connections == before.connections
        assert amid > 50

    clock.run(main())


@pytest.mark.parametrize("bus", BUSES)
def test_a_silent_radio_is_lost_in_spite_of_stalls(bus: str) -> None:
    clock = VirtualClock(1_795_000_000.0)

    async def main() -> None:
        station = Station(bus, clock, VirtualLine, seed=16)
        jobs = station.line.run(), station.link.run(), station._want()
        tasks = [asyncio.create_task(job) for job in jobs]
        await clock.sleep(3.0)
        station.radio.change(silent=True)
        silent_s = clock.monotonic_s()
        stalled_s = 0.0
        while station.link.view.state is not LinkState.NO_CONTACT:
            await clock.sleep(0.1)
            clock.stall(0.35)
            stalled_s += 0.35
            assert clock.monotonic_s() - silent_s - stalled_s < 2.0
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    clock.run(main())
