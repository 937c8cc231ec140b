"""The simulated radio on a pseudo-terminal inside the test process, and a driver for it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

from moontrim.clock.system import SystemClock
from moontrim_drivers.asciicat.driver import AsciicatDriver
from moontrim_drivers.civ.driver import CivDriver
from moontrim_drivers.serial.driver import SerialDriver
from moontrim_drivers.simulated.asciicat import AsciicatResponder
from moontrim_drivers.simulated.civ import CivResponder
from moontrim_drivers.simulated.options import SimulatedOptions
from moontrim_drivers.simulated.pty import SimPty
from moontrim_drivers.simulated.radio import SimulatedRadio
from moontrim_drivers.simulated.receivers import Receivers

# bus: driver, how its radio speaks, the options it cannot do without besides the port
BUSES: dict[str, tuple[type[SerialDriver], Callable[[Receivers], Any], dict[str, Any]]] = {
    "civ": (CivDriver, CivResponder, {"address": 0xA2}),
    "asciicat": (AsciicatDriver, AsciicatResponder, {}),
}


@asynccontextmanager
async def serial_radio(
    bus: str, *, line: dict[str, Any] | None = None, other_hz: int = 0, **habits: Any
) -> AsyncIterator[SimPty]:
    """Keeps it plugged in until the end of the block. habits: as in SimulatedOptions. line: as for
    SimLine."""
    clock = SystemClock()
    radio = SimulatedRadio(SimulatedOptions(**habits), clock)
    made = SimPty(radio, BUSES[bus][1](Receivers(radio, other_hz)), clock, **(line or {}))
    task = asyncio.create_task(made.run())
    try:
        while not made.path:
            await asyncio.sleep(0)
        yield made
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def replugged(line: SimPty) -> None:
    """Unplugs it and waits until it is plugged in again."""
    back = asyncio.Event()
    line.plugged = lambda path: back.set()
    line.radio.drop()
    await back.wait()


def driver_for(bus: str, port: str, **options: Any) -> Any:
    """Returns a driver for that bus on the real clock."""
    driver_class, _, bus_options = BUSES[bus]
    return driver_class(
        driver_class.Options(**{"port": port, **bus_options, **options}), SystemClock()
    )
