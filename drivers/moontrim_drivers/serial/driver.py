"""The base class of the drivers of radios on a serial port.

It does what is the same on every bus; a subclass builds the messages and sends them through
`exchange.Conversation`. After any error but a refusal, and after cancellation, every method raises
RigClosed until `open`.

These buses have no check sums, so one damaged byte could look like a dial turned by hand. A dial
that reads back differently than expected is therefore read once more, and the second reading
counts.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence

from moontrim_drivers.contract import (
    Capabilities,
    DriverClock,
    RigDriver,
    RigNotSuitable,
    RigRefused,
    RigState,
)
from moontrim_drivers.emergencyunkey import EmergencyUnkey
from moontrim_drivers.limits import check_dials, check_power, grouped
from moontrim_drivers.serial.exchange import Conversation
from moontrim_drivers.serial.options import SerialOptions

ASK_AGAIN_S = 0.02  # chosen: between two questions whether a radio told to (un)key has done so


class SerialDriver(RigDriver):
    """A radio on a serial port. Subclasses fill in the methods below `send_commands`."""

    options: SerialOptions
    driver_pauses_s = 0.0
    highest_dial_hz: int

    def __init__(self, options: SerialOptions, clock: DriverClock) -> None:
        super().__init__(options, clock)
        self.conversation = Conversation(options, clock)
        self._reports_transmit = True
        self._last_dials: tuple[int, int | None] | None = None

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
            driver_pauses_s=self.driver_pauses_s,
        )

    async def open(self, *, unkey: bool = False) -> None:
        self.conversation.close()
        self._reports_transmit = True
        self._last_dials = None
        self.conversation.open()
        try:
            await self._greet()
            if unkey:
                await self._receive_first()
            await self._prepare()
            await self.read()
        except BaseException:
            self.conversation.close()
            raise

    async def close(self) -> None:
        self.conversation.close()

    def emergency_unkey(self) -> EmergencyUnkey | None:
        descriptor = self.conversation.descriptor
        if descriptor is None:
            return None
        return EmergencyUnkey(self._unkey_message(), descriptor=descriptor)

    async def read(self) -> RigState:
        state = await self._confirmed(self._last_dials)
        await self._check_split()
        return state

    async def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        check_dials(self.options.split, rx_hz, tx_hz)
        for name, dial_hz in (("rx_hz", rx_hz), ("tx_hz", tx_hz)):
            if dial_hz is not None and dial_hz > self.highest_dial_hz:
                raise RigNotSuitable(
                    f"{name}: invalid value {dial_hz}; expected on this bus at most "
                    f"{grouped(self.highest_dial_hz)}"
                )
        expected = self._last_dials
        if expected is not None:
            expected = (rx_hz or expected[0], tx_hz or expected[1])
        return await self._confirmed(expected, await self._set_dials(rx_hz, tx_hz))

    async def _confirmed(
        self, expected: tuple[int, int | None] | None, state: RigState | None = None
    ) -> RigState:
        """Returns the state (default: a new reading) if its dials are as expected, else another
        reading."""
        state = state or await self._read()
        if expected is not None and (state.rx_dial_hz, state.tx_dial_hz) != expected:
            state = await self._read()
        self._last_dials = (state.rx_dial_hz, state.tx_dial_hz)
        return state

    async def set_power(self, fraction: float) -> None:
        check_power(self.capabilities.sets_power, fraction)
        await self._check_receiving("power is not set")
        await self._set_power(fraction)

    async def clear_offsets(self) -> None:
        await self._check_receiving("RIT and XIT are not switched off")
        await self._clear_offsets()

    async def send_commands(self, commands: Sequence[str]) -> None:
        try:
            ready = [self.parse_command(command) for command in commands]
        except ValueError as error:
            raise RigNotSuitable(f"commands: {error}") from None
        if not ready:
            return
        await self._check_receiving("commands are not sent")
        for command in ready:
            await self._send_command(command)

    # what a subclass adds

    @classmethod
    @abstractmethod
    def parse_command(cls, text: str) -> bytes:
        """Returns a command in the notation of the bus as bytes. Raises ValueError for what is not
        one (the text says what is allowed), and for one known to make a radio transmit."""

    @abstractmethod
    async def _send_command(self, command: bytes) -> None:
        """Sends what `parse_command` has returned. Raises RigRefused."""

    @abstractmethod
    async def _set_power(self, fraction: float) -> None:
        """Sets the RF power; the value has been checked and the radio receives."""

    @abstractmethod
    async def _clear_offsets(self) -> None:
        """Switches off RIT and XIT where they are on. Raises RigRefused."""

    @abstractmethod
    def _unkey_message(self) -> bytes:
        """Returns the message that sets the radio to receive."""

    @abstractmethod
    async def _transmitting(self) -> bool:
        """Returns whether the radio reports that it transmits."""

    async def _confirm_transmit(self, on: bool) -> None:
        """Waits until the radio reports the transmit state, which some do a while after the
        command; not longer than for an answer. What counts is the answer to a question asked after
        that time: this process may have been stopped before. Raises RigRefused."""
        until_s = self.clock.monotonic_s() + self.options.answer_s
        while True:
            asked_s = self.clock.monotonic_s()
            if await self._transmitting() == on:
                return
            if asked_s >= until_s:
                raise RigRefused(f"{'transmit' if on else 'receive'} not confirmed by the radio")
            await self.conversation.pause(ASK_AGAIN_S)

    async def _check_receiving(self, what: str) -> None:
        """Raises RigRefused unless the radio is known to receive. what: what is not done then."""
        if not self._reports_transmit or await self._transmitting():
            raise RigRefused(f"{what} unless the radio is known to receive")

    @abstractmethod
    async def _greet(self) -> None:
        """Exchanges something after which no late answer to an earlier question can come."""

    @abstractmethod
    async def _prepare(self) -> None:
        """Finds out what the radio can do, and sets split operation on or off."""

    @abstractmethod
    def _effect_on_the_wire(self) -> float:
        """Returns `Capabilities.effect_fraction` as it follows from the bytes on the wire: of those
        of setting one dial and reading back, the fraction sent when the set is complete."""

    @abstractmethod
    async def _read(self) -> RigState:
        """Reads the state once."""

    async def _check_split(self) -> None:
        """Raises RigGarbled if the radio has left or entered split operation by itself, because it
        would transmit on another frequency. For a bus where `_read` does not notice that."""

    @abstractmethod
    async def _set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        """Sets the dials that are not None, then reads the state once."""
