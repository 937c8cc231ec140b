"""The driver of the simulated radio.

It translates the contract into calls of `radio.SimulatedRadio`. It serves rehearsals and tests, and
shows a whole driver without a wire in the way. The radio itself is `SimulatedDriver.radio`.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from typing import TypeVar

from moontrim_drivers.contract import (
    Capabilities,
    DriverClock,
    RigClosed,
    RigDetails,
    RigDriver,
    RigRefused,
    RigState,
)
from moontrim_drivers.emergencyunkey import EmergencyUnkey
from moontrim_drivers.limits import check_dials, check_mode, check_power
from moontrim_drivers.simulated.connection import SimulatedConnection
from moontrim_drivers.simulated.options import SimulatedOptions
from moontrim_drivers.simulated.radio import SimulatedRadio

__all__ = ["SimulatedDriver", "SimulatedOptions", "SimulatedRadio"]

T = TypeVar("T")


class SimulatedDriver(RigDriver):
    """The driver of the simulated radio. A cancelled command ends the connection, as it does with a
    driver that has a wire, where a late answer must not be taken for the next one."""

    Options = SimulatedOptions

    def __init__(self, options: SimulatedOptions, clock: DriverClock) -> None:
        super().__init__(options, clock)
        self.radio = SimulatedRadio(options, clock)
        self._connection: SimulatedConnection | None = None

    @property
    def capabilities(self) -> Capabilities:
        options = self.radio.options
        return Capabilities(
            split=options.split,
            dial_resolution_hz=options.dial_resolution_hz,
            retunes_while_transmitting=options.retunes_while_transmitting,
            reports_transmit=options.reports_transmit,
            sets_power=options.sets_power,
            effect_fraction=options.effect_fraction,
        )

    async def open(self, *, unkey: bool = False) -> None:
        await self.close()
        self._connection = await self.radio.connect()
        try:
            if unkey:
                await self._receive_first()
            await self._ask(lambda: self.radio.set_split(self.radio.options.split))
        except BaseException:
            await self.close()
            raise

    async def close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    async def read(self) -> RigState:
        return await self._ask(self.radio.state)

    async def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        check_dials(self.radio.options.split, rx_hz, tx_hz)
        await self._ask(lambda: self.radio.set_dials(rx_hz, tx_hz))
        return self.radio.state()

    async def set_transmit(self, on: bool) -> None:
        await self._ask(lambda: self.radio.set_transmit(on))

    def emergency_unkey(self) -> EmergencyUnkey | None:
        return EmergencyUnkey(ends_with_process=True)

    async def details_in_parts(self) -> AsyncIterator[RigDetails]:
        yield await self.details()

    async def details(self) -> RigDetails:
        return await self._ask(self.radio.details)

    async def set_mode(self, mode: str, passband_hz: int) -> None:
        check_mode(mode, passband_hz)
        await self._ask(lambda: self.radio.set_mode(mode, passband_hz))

    async def set_power(self, fraction: float) -> None:
        check_power(self.radio.options.sets_power, fraction)
        await self._ask(lambda: self.radio.set_power(fraction))

    async def clear_offsets(self) -> None:
        await self._ask(self.radio.clear_offsets)

    async def _ask(self, action: Callable[[], T]) -> T:
        if self._connection is None:
            raise RigClosed("not open")
        try:
            return await self._connection.ask(action)
        except RigRefused:
            raise
        except BaseException:  # cancelled, or lost
            await self.close()
            raise
