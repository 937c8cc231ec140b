"""What the drivers of radios on a serial port have in common.

Owns the answers to the contract that are the same on every bus; a subclass says what is asked for
them, and `serialtalk` asks. After any error but a refusal, and after cancellation, everything
raises RigClosed until `open`.

These buses have no check sums. So a dial that reads back unlike what it was is asked for once more,
and the second answer counts: one damaged byte is then no hand on the dial.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence

from moontrim_drivers.contract import (
    Capabilities,
    DriverClock,
    RigDriver,
    RigRefused,
    RigState,
    RigUnfit,
)
from moontrim_drivers.limits import check_dials, check_power
from moontrim_drivers.serial.exchange import Talk
from moontrim_drivers.serial.options import SerialOptions

LOOK_AGAIN_S = 0.02


class SerialDriver(RigDriver):
    """Base of the drivers. Subclasses say what is asked; this class when, and what if not."""

    options: SerialOptions
    own_pauses_s = 0.0
    highest_dial_hz: int

    def __init__(self, options: SerialOptions, clock: DriverClock) -> None:
        super().__init__(options, clock)
        self.talk = Talk(options, clock)
        self._reports_transmit = True
        self._last: tuple[int, int | None] | None = None

    @property
    def capabilities(self) -> Capabilities:
        options = self.options
        fraction = options.effect_fraction
        return Capabilities(
            split=options.split,
            dial_resolution_hz=options.dial_resolution_hz,
            retunes_while_transmitting=options.retunes_while_transmitting,
            reports_transmit=self._reports_transmit,
            sets_power=options.sets_power and self._reports_transmit,
            effect_fraction=self._effect_on_the_wire() if fraction is None else fraction,
            own_pauses_s=self.own_pauses_s,
        )

    async def open(self, *, unkey: bool = False) -> None:
        self.talk.close()
        self._reports_transmit = True
        self._last = None
        self.talk.open()
        try:
            await self._greet()
            if unkey:
                await self._receive_first()
            await self._prepare()
            await self.read()
        except BaseException:
            self.talk.close()
            raise

    async def close(self) -> None:
        self.talk.close()

    async def read(self) -> RigState:
        state = await self._surely(self._last)
        await self._check_split()
        return state

    async def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        check_dials(self.options.split, rx_hz, tx_hz)
        for name, dial_hz in (("rx_hz", rx_hz), ("tx_hz", tx_hz)):
            if dial_hz is not None and dial_hz > self.highest_dial_hz:
                raise RigUnfit(
                    f"{name}: {dial_hz} is not usable; allowed on this bus: up to "
                    f"{self.highest_dial_hz}"
                )
        expected = self._last
        if expected is not None:
            expected = (rx_hz or expected[0], tx_hz or expected[1])
        return await self._surely(expected, await self._set_dials(rx_hz, tx_hz))

    async def _surely(
        self, expected: tuple[int, int | None] | None, state: RigState | None = None
    ) -> RigState:
        """A state that reads back as expected, or a second one."""
        state = state or await self._read()
        if expected is not None and (state.rx_dial_hz, state.tx_dial_hz) != expected:
            state = await self._read()
        self._last = (state.rx_dial_hz, state.tx_dial_hz)
        return state

    async def set_power(self, fraction: float) -> None:
        check_power(self.capabilities.sets_power, fraction)
        await self._check_receiving("power is not set")
        await self._set_power(fraction)

    async def send_commands(self, commands: Sequence[str]) -> None:
        try:
            ready = [self.parse_command(command) for command in commands]
        except ValueError as error:
            raise RigUnfit(f"commands: {error}") from None
        if not ready:
            return
        await self._check_receiving("commands are not sent")
        for command in ready:
            await self._send_command(command)

    # what a bus adds

    @classmethod
    @abstractmethod
    def parse_command(cls, text: str) -> bytes:
        """A free-form command in the notation of the bus. Raises ValueError, saying what is allowed
        if it is none, and for one known to make a radio transmit."""

    @abstractmethod
    async def _send_command(self, command: bytes) -> None: ...

    @abstractmethod
    async def _set_power(self, fraction: float) -> None: ...

    @abstractmethod
    async def _transmitting(self) -> bool: ...

    async def _confirm_transmit(self, on: bool) -> None:
        """Wait until the radio says so, which some do a while after they were told; not longer than
        for an answer. Raises RigRefused."""
        until_s = self.clock.monotonic_s() + self.options.answer_s
        while await self._transmitting() != on:
            if self.clock.monotonic_s() >= until_s:
                told = "transmit" if on else "receive"
                raise RigRefused(f"told to {told}, the radio does not")
            await self.talk.pause(LOOK_AGAIN_S)

    async def _check_receiving(self, what: str) -> None:
        if not self._reports_transmit or await self._transmitting():
            raise RigRefused(f"{what} unless the radio is known to receive")

    @abstractmethod
    async def _greet(self) -> None:
        """Have whatever was said before be through."""

    @abstractmethod
    async def _prepare(self) -> None:
        """Find out what the radio can do, and set split operation."""

    @abstractmethod
    def _effect_on_the_wire(self) -> float:
        """The share, of the bytes of setting one dial and reading back, until the dial is told."""

    @abstractmethod
    async def _read(self) -> RigState: ...

    async def _check_split(self) -> None:
        """Raises RigGarbled if the radio has left or entered split operation by itself: it would
        transmit somewhere else. For a bus where `_read` does not see that."""

    @abstractmethod
    async def _set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        """Set, then read."""
