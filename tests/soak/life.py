"""One life of the daemon on a station: its driver, outputs and contacts, which all end with it. A
killed process sends nothing more to radio, relays or disk, so what its tasks do while they are
cancelled has no effect."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar
from unittest.mock import patch

from moontrim.app.daemon import Daemon
from moontrim.clock.system import Clock
from moontrim.config.keying import KeyingSettings
from moontrim.config.keyingports import RadioOutput
from moontrim.keying.contacts import Contact
from moontrim.keying.modemlines import OutputError
from moontrim.keying.outputs import Output, RadioKey
from moontrim.path import Ephemeris
from moontrim_drivers.contract import Capabilities, RigClosed, RigState
from moontrim_drivers.simulated.driver import SimulatedDriver
from soak.plan import Plan
from soak.station import Coil, Station

T = TypeVar("T")
Violated = Callable[[str], None]


class Life:
    """alive: False from the moment the process is killed. daemon: the real one. born_s: when it was
    started. parted_s: when its driver last had no connection. Monotonic seconds."""

    def __init__(
        self, plan: Plan, station: Station, ephemeris: Ephemeris, number: int, violated: Violated
    ) -> None:
        self.alive = True
        self.station = station
        self.parted_s = station.clock.monotonic_s()
        driver = LifeDriver(self, violated)
        station.time_source.begin()
        self.born_s = station.clock.monotonic_s()
        with (
            patch("moontrim.app.daemon.readers_for", lambda *args: (station.time_source.read,)),
            patch("moontrim.app.transmitting.make_outputs", self._outputs),
            patch(
                "moontrim.app.transmitting.make_contacts", self._contacts if plan.contacts else _no
            ),
        ):
            self.daemon = Daemon(
                plan.settings,
                station.clock,
                ephemeris,
                driver,
                seed=1000 * plan.seed + number,
            )

    def parted(self) -> None:
        if self.alive:
            self.parted_s = self.station.clock.monotonic_s()

    def _outputs(
        self,
        settings: KeyingSettings,
        clock: Clock,
        *,
        key_radio: Callable[[bool], Awaitable[None]],
        **others: object,
    ) -> tuple[Output, ...]:
        made: list[Output] = []
        for index, output in enumerate(settings.outputs):
            if isinstance(output, RadioOutput):
                made.append(RadioKey(output.name, key_radio))
            elif output.keys_radio:
                made.append(LifeRelay(output.name, self, self.station.key_coil))
            else:
                made.append(LifeRelay(output.name, self, self.station.coils[index]))
        return tuple(made)

    def _contacts(self, *args: object) -> tuple[Contact, ...]:
        return (LifeContact(self),)


def _no(*args: object) -> tuple[Contact, ...]:
    return ()


class LifeDriver(SimulatedDriver):
    """The simulated driver on the station's radio. It checks how the rig link uses it: finite whole
    numbers, and nothing written without a connection."""

    def __init__(self, life: Life, violated: Violated) -> None:
        station = life.station
        super().__init__(station.options, station.clock)
        # What was promised; a radio that changes its habits does not say so.
        self._promised = super().capabilities
        self.radio = station.radio
        self._life = life
        self._violated = violated

    @property
    def capabilities(self) -> Capabilities:
        return self._promised

    async def open(self, *, unkey: bool = False) -> None:
        self._life.parted()
        try:
            await super().open(unkey=unkey)
        finally:
            self._life.parted()

    async def close(self) -> None:
        self._life.parted()
        await super().close()

    async def read(self) -> RigState:
        return self._life.station.wire.spoil(await super().read())

    async def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        for hz in (rx_hz, tx_hz):
            if hz is not None and (type(hz) is not int or not math.isfinite(hz)):
                self._violated(f"a dial of {hz!r} was to be set")
        if self._writing("dials"):
            self._life.station.witness.wrote_dials(rx_hz, tx_hz)
        return self._life.station.wire.spoil(await super().set_dials(rx_hz, tx_hz))

    async def set_transmit(self, on: bool) -> None:
        if self._writing("transmit"):
            self._life.station.witness.written(f"transmit {on}")
        await super().set_transmit(on)

    async def set_power(self, fraction: float) -> None:
        if self._writing("power"):
            self._life.station.witness.wrote_power(fraction)
        await super().set_power(fraction)

    async def set_mode(self, mode: str, passband_hz: int) -> None:
        if self._writing("mode"):
            self._life.station.witness.wrote_mode(mode)
        await super().set_mode(mode, passband_hz)

    def _writing(self, what: str) -> bool:
        """Does it come from a living process? Then there must be a connection."""
        if self._life.alive and self._connection is None:
            self._violated(f"{what} was to be written while the link is down")
        return self._life.alive

    async def _ask(self, action: Callable[[], T]) -> T:
        if not self._life.alive:
            raise RigClosed("dead")

        def unless_dead() -> T:
            if not self._life.alive:
                raise RigClosed("dead")
            return action()

        return await super()._ask(unless_dead)


class LifeRelay(Output):
    """The daemon's end of a relay, or of the line that keys the radio."""

    def __init__(self, name: str, life: Life, coil: Coil) -> None:
        super().__init__(name)
        self._life = life
        self._coil = coil

    async def on(self) -> None:
        await self._become(True, self._coil.stuck_off)

    async def off(self) -> None:
        await self._become(False, self._coil.stuck_on)

    async def _become(self, on: bool, stuck: bool) -> None:
        clock = self._life.station.clock
        if self._coil.slow_s:
            await clock.sleep(self._coil.slow_s)
        if not self._life.alive:
            return
        if stuck:
            raise OutputError("the relay does not answer")
        self._coil.switch(on, clock.monotonic_s())
        if self._coil.unsure:
            raise OutputError("the answer was lost")


class LifeContact(Contact):
    """A relay contact that shows that the radio transmits."""

    def __init__(self, life: Life) -> None:
        self._life = life

    async def open(self) -> None:
        pass

    async def closed(self) -> bool:
        if self._life.station.contact_broken:
            raise OutputError("the line is gone")
        return self._life.station.contact_closed

    def close(self) -> None:
        pass


async def ended(task: asyncio.Task[Any]) -> BaseException | None:
    """Waits for a task; returns the exception that it ended with, if not a cancellation."""
    await asyncio.wait([task])
    return None if task.cancelled() else task.exception()
