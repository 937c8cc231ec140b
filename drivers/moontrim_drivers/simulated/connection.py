"""A connection to the simulated radio: the time that commands take, and how it is lost."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Protocol, TypeVar

from moontrim_drivers.contract import RigClosed, RigError, RigRefused
from moontrim_drivers.simulated.options import SimulatedOptions

T = TypeVar("T")


class Radio(Protocol):
    """The simulated radio as its connections use it."""

    options: SimulatedOptions

    def loss_instant(self) -> float | None: ...
    def drop(self) -> None: ...
    async def pass_time(self, fraction: float) -> None: ...
    def remove(self, connection: SimulatedConnection) -> None: ...


class SimulatedConnection:
    """A connection to the radio. ended: set when the radio, or `close`, has ended it."""

    def __init__(self, radio: Radio) -> None:
        self._radio = radio
        self.ended = asyncio.Event()

    async def ask(self, action: Callable[[], T]) -> T:
        """Has the radio perform an action. Returns its result after `options.latency_s`; the action
        takes effect after the fraction `options.effect_fraction` of that time.

        Raises RigRefused after the whole time, RigClosed as soon as the connection is known to be
        lost (whether the radio did it by then is as uncertain as with a real one).
        """
        radio = self._radio
        self._check()
        lost_at = radio.loss_instant()
        if radio.options.silent:
            await self.ended.wait()
        before = radio.options.effect_fraction
        await radio.pass_time(before)
        if lost_at is not None and lost_at < 0.5:  # else it is lost after the radio has acted
            radio.drop()
        self._check()
        refusal: RigError | None = None
        try:
            value = action()
        except RigRefused as error:
            refusal = error
        await radio.pass_time(1.0 - before)
        if lost_at is not None:
            radio.drop()
        self._check()
        if refusal is not None:
            raise refusal
        return value

    def close(self) -> None:
        """Ends the connection."""
        self.ended.set()
        self._radio.remove(self)

    def _check(self) -> None:
        if self.ended.is_set():
            raise RigClosed("the simulated radio ended the connection")
