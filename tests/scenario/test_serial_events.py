"""A thousand misfortunes of radios on serial lines, half of them on each bus: unplugged and plugged
in again, refusing, garbled, silent, switched off and on, keyed by foot, turned by hand. The rig
link runs the real driver; only clock and wire are virtual, and bytes take their time at 19200 baud.
A second, shorter run has real pseudo-terminals in real time."""

from __future__ import annotations

import asyncio
import gc
import random
from collections import Counter
from typing import Any

import pytest

from moontrim.clock.system import Clock, SystemClock
from moontrim.clock.virtual import VirtualClock
from moontrim.rig.link import RigLink
from moontrim.rig.view import Connected, LinkState
from moontrim.tuning.steps import Plan, Ramp, Step
from moontrim_drivers.contract import RigClosed, RigUnreachable
from moontrim_drivers.serial.wire import OnLost, Received
from moontrim_drivers.simulated.line import SimLine
from moontrim_drivers.simulated.options import SimulatedOptions
from moontrim_drivers.simulated.pty import SimPty
from moontrim_drivers.simulated.radio import SimulatedRadio
from moontrim_drivers.simulated.receivers import Receivers
from support.descriptors import open_descriptors
from support.serial_bench import BUSES

BAUD = 19200
BASE_HZ = 144_100_000
WITHIN_S = 3.0
EVENTS = ("unplug", "power off", "power cycle", "refuse", "garble", "silent", "foot switch", "knob")
HABITS: dict[str, Any] = {"latency_s": 0.002, "start_rx_hz": 1_000_000, "start_tx_hz": 1_000_000}


class VirtualWire:
    """The driver's end of a line in memory."""

    def __init__(self, line: VirtualLine, received: Received, lost: OnLost) -> None:
        self.line, self.received, self.lost = line, received, lost
        self.closed = False

    descriptor = None

    def write(self, data: bytes) -> None:
        if not self.closed:
            self.line.received(data)

    def close(self) -> None:
        self.closed = True


class VirtualLine(SimLine):
    path = ""
    wires: int = 0
    _wire: VirtualWire | None = None

    def plug(self) -> None:
        self.path = "plugged"

    def unplug(self) -> None:
        self.path = ""
        wire, self._wire = self._wire, None
        if wire is not None and not wire.closed:
            wire.close()
            wire.lost(RigClosed("unplugged"))

    def send(self, data: bytes) -> None:
        if self._wire is not None and not self._wire.closed:
            self._wire.received(data)

    def open_wire(self, options: object, received: Received, lost: OnLost) -> VirtualWire:
        if not self.path:
            raise RigUnreachable("not plugged in")
        assert self._wire is None or self._wire.closed, "opened once only"
        self._wire = VirtualWire(self, received, lost)
        self.wires += 1
        return self._wire


class Station:
    """A line, its radio, the rig link, and something that wants dials, as the tracker does."""

    def __init__(
        self,
        bus: str,
        clock: Clock,
        line_class: type[SimLine],
        seed: int,
        within_s: float = WITHIN_S,
    ) -> None:
        self.within_s = within_s
        self.chance = random.Random(seed)
        self.clock = clock
        driver_class, responder, own = BUSES[bus]
        self.radio = SimulatedRadio(SimulatedOptions(**HABITS, seed=seed), clock)
        self.line = line_class(self.radio, responder(Receivers(self.radio)), clock, baud=BAUD)
        port = "/dev/in-memory"
        self.driver = driver_class(driver_class.Options(port=port, baud=BAUD, **own), clock)  # type: ignore[call-arg, arg-type]
        self.driver.conversation.open_wire = self._open_wire
        self.link = RigLink(self.driver, clock, self._reported, seed=seed)
        self.wanted = (BASE_HZ, BASE_HZ + 500)
        self.by_foot = False
        self.faults: list[str] = []
        self.longest_s = 0.0
        self.counts: Counter[str] = Counter()
        self._stood: tuple[int, int | None] | None = None
        self.radio.on_change = self._changed

    def _open_wire(self, options: Any, received: Received, lost: OnLost) -> Any:
        if isinstance(self.line, VirtualLine):
            return self.line.open_wire(options, received, lost)
        from moontrim_drivers.serial.exchange import open_wire

        path = self.line.path or "/dev/no-such-port"  # type: ignore[attr-defined]
        return open_wire(options.model_copy(update={"port": path}), received, lost)

    def _changed(self, at_s: float, rx_hz: int, tx_hz: int | None, keyed: bool) -> None:
        if keyed and not self.by_foot:
            self.faults.append(f"{at_s:.3f} s: keyed, and nobody pressed anything")
        if keyed and self._stood not in (None, (rx_hz, tx_hz)):
            self.faults.append(f"{at_s:.3f} s: dial moved while keyed")
        self._stood = (rx_hz, tx_hz)

    def _reported(self, event: object) -> None:
        if isinstance(event, Connected):
            self._submit()

    def _submit(self) -> None:
        now = self.clock.utc_s()
        flat = Ramp(now, BASE_HZ, 0.0)
        steps = (Step(now, "rx", self.wanted[0]), Step(now, "tx", self.wanted[1]))
        self.link.submit(Plan(now, now + 1, flat, flat, True, "rx", 1, steps, {}, False))

    async def _want(self) -> None:
        while True:
            self._submit()
            await self.clock.sleep(1.0)

    def right(self) -> bool:
        return (
            (self.radio.rx_dial_hz, self.radio.tx_dial_hz) == self.wanted
            and self.link.view.state is LinkState.READY
            and self.link.view.rig == self.radio.state()
        )

    async def run(self, events: int) -> None:
        tasks = [
            asyncio.create_task(job) for job in (self.line.run(), self.link.run(), self._want())
        ]
        try:
            await self._back("start")
            for _ in range(events):
                await self._event(self.chance.choice(EVENTS))
        finally:
            for task in tasks:
                task.cancel()
            ended = await asyncio.gather(*tasks, return_exceptions=True)
        assert all(isinstance(end, asyncio.CancelledError) for end in ended), ended

    async def _event(self, event: str) -> None:
        """It happens at a random moment, lasts a while, ends; then all is well within 3 s."""
        sleep, chance = self.clock.sleep, self.chance
        move_hz = chance.randrange(-2000, 2000)
        self.wanted = (self.wanted[0] + move_hz, self.wanted[1] - move_hz)
        await sleep(chance.uniform(0.0, 0.6))
        away_s = chance.uniform(0.05, 2.5)
        match event:
            case "unplug":
                self.radio.change(unreachable_s=away_s)
                self.radio.drop()
                await sleep(away_s + 0.1)
            case "power off":
                self.line.on = False
                self.line.power_cycle()
                await sleep(away_s)
                self.line.on = True
            case "power cycle":
                self.line.power_cycle()
            case "refuse":
                self.radio.change(refuse_probability=chance.choice([0.3, 1.0]))
                await sleep(away_s)
                self.radio.change(refuse_probability=0.0)
            case "garble":
                self.line.spoil = self._garble
                await sleep(away_s)
                self.line.spoil = bytes
            case "silent":
                self.radio.change(silent=True)
                await sleep(away_s)
                self.radio.change(silent=False)
            case "foot switch":
                self.by_foot = True
                self.radio.key(True)
                await sleep(away_s)
                self.radio.key(False)
                self.by_foot = False
            case "knob":
                self.radio.turn_dial(chance.choice([-777, 10, 12_345]))
                self.line.say(self.line.responder.dial_report())  # type: ignore[attr-defined]
        await self._back(event)
        self.counts[event] += 1

    def _garble(self, data: bytes) -> bytes:
        chance, raw = self.chance, bytearray(data)
        for _ in range(chance.choice([0, 0, 1, 3])):
            raw[chance.randrange(len(raw))] ^= 1 << chance.randrange(8)
        return bytes(raw[: chance.choice([len(raw), len(raw), chance.randrange(len(raw) + 1)])])

    async def _back(self, event: str) -> None:
        began_s = self.clock.monotonic_s()
        while not self.right():
            late_s = self.clock.monotonic_s() - began_s
            assert late_s < self.within_s, f"{event}: {self.link.view}, wanted {self.wanted}"
            await self.clock.sleep(0.02)
        self.longest_s = max(self.longest_s, self.clock.monotonic_s() - began_s)
        assert not self.faults, self.faults


@pytest.mark.parametrize("bus", BUSES)
def test_five_hundred_misfortunes(bus: str) -> None:
    clock = VirtualClock(1_795_000_000.0)
    random.seed(7)  # pauses after collisions

    async def main() -> None:
        station = Station(bus, clock, VirtualLine, seed=7)
        await station.run(500)
        await asyncio.sleep(0)
        assert asyncio.all_tasks() == {asyncio.current_task()}, "no task is left"
        assert sum(station.counts.values()) == 500 and min(station.counts.values()) > 30
        print(
            f"{bus}: {clock.monotonic_s():.0f} s on the radio's clock, back within "
            f"{station.longest_s:.2f} s, opened {station.line.wires} times, {station.counts}"  # type: ignore[attr-defined]
        )

    clock.run(main())


def test_real_pseudo_terminals() -> None:
    """Five radios on each bus at once, in real time: nothing is left behind, either."""

    async def main() -> None:
        before = open_descriptors()
        stations = [Station(bus, SystemClock(), SimPty, seed) for bus in BUSES for seed in range(5)]
        async with asyncio.TaskGroup() as group:
            for station in stations:
                group.create_task(station.run(2))
        await asyncio.sleep(0)
        assert asyncio.all_tasks() == {asyncio.current_task()}, "no task is left"
        assert open_descriptors() <= before, "no descriptor is left"
        print(f"back within {max(station.longest_s for station in stations):.2f} s")

    asyncio.run(main())
    gc.collect()
