"""A radio driver with a deadline on every answer."""

from __future__ import annotations

from collections.abc import AsyncIterator, Awaitable, Sequence
from typing import TypeVar

from moontrim.clock.system import Clock
from moontrim.rig.steplog import StepLog
from moontrim_drivers.contract import (
    Capabilities,
    RigDetails,
    RigDriver,
    RigState,
    RigTimeout,
)
from moontrim_drivers.emergencyunkey import EmergencyUnkey

T = TypeVar("T")


class DeadlineDriver:
    """Wraps a driver, so that a call without an answer after `deadline_s` raises RigTimeout, and
    notes each dial that is set in `steps`.

    Where the driver itself pauses between commands, `Capabilities.driver_pauses_s` is added.
    Everything else that a method raises or returns is the driver's (see
    `moontrim_drivers.contract`)."""

    def __init__(self, driver: RigDriver, clock: Clock, deadline_s: float, steps: StepLog) -> None:
        self._driver = driver
        self._steps = steps
        self._clock = clock
        self._deadline_s = deadline_s

    @property
    def capabilities(self) -> Capabilities:
        return self._driver.capabilities

    async def open(self, *, unkey: bool) -> None:
        # A second deadline, since opening asks several questions.
        await self._in_time(self._driver.open(unkey=unkey), self._deadline_s)

    async def close(self) -> None:
        """Ends the connection. No deadline: the contract bounds it, and it must never raise."""
        await self._driver.close()

    async def read(self) -> RigState:
        return await self._in_time(self._driver.read())

    async def set_dials(
        self, rx_hz: int | None, tx_hz: int | None, planned_utc_s: float | None = None
    ) -> RigState:
        """planned_utc_s: when the plan has the dials move; None: there is no plan for it."""
        sent_utc_s = self._clock.utc_s()
        rig = await self._in_time(self._driver.set_dials(rx_hz, tx_hz), self._driver_pauses_s)
        self._steps.was_set(
            {"rx": rx_hz, "tx": tx_hz},
            sent_utc_s,
            self._clock.utc_s(),
            self.capabilities.effect_fraction,
            planned_utc_s,
        )
        return rig

    async def set_transmit(self, on: bool) -> None:
        await self._in_time(self._driver.set_transmit(on))

    def emergency_unkey(self) -> EmergencyUnkey | None:
        return self._driver.emergency_unkey()

    async def details(self) -> RigDetails:
        return await self._in_time(self._driver.details())

    async def details_in_parts(self) -> AsyncIterator[RigDetails | None]:
        parts = self._driver.details_in_parts()
        while (part := await self._in_time(anext(parts))) is None:
            yield None
        yield part

    async def power_fraction(self) -> float | None:
        return await self._in_time(self._driver.power_fraction())

    async def set_mode(self, mode: str, passband_hz: int) -> None:
        await self._in_time(self._driver.set_mode(mode, passband_hz), self._driver_pauses_s)

    async def set_power(self, fraction: float) -> None:
        await self._in_time(self._driver.set_power(fraction))

    async def clear_offsets(self) -> None:
        # A second deadline, since it asks first which are on.
        await self._in_time(self._driver.clear_offsets(), self._deadline_s)

    async def send_commands(self, commands: Sequence[str]) -> None:
        await self._in_time(self._driver.send_commands(commands))

    @property
    def _driver_pauses_s(self) -> float:
        return self._driver.capabilities.driver_pauses_s

    async def _in_time(self, call: Awaitable[T], more_s: float = 0.0) -> T:
        limit_s = self._deadline_s + more_s
        try:
            async with self._clock.timeout(limit_s):
                return await call
        except TimeoutError:
            raise RigTimeout(f"no answer within {limit_s:g} s") from None
