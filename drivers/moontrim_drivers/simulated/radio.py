"""A radio that exists only in memory, with the faults of real ones.

Owns the state of one simulated radio (dials, split, transmit, mode, power) and the time that its
commands take. It knows no driver and no wire: a driver, or one of the simulated wires, sends it
commands through a `SimulatedConnection`. The methods under "the front panel" stand for a person at
the radio.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any, TypeVar

from moontrim_drivers.contract import (
    DriverClock,
    RigDetails,
    RigRefused,
    RigState,
    RigUnreachable,
)
from moontrim_drivers.limits import grouped
from moontrim_drivers.simulated.connection import SimulatedConnection
from moontrim_drivers.simulated.options import PASSBAND_HZ, SimulatedOptions

T = TypeVar("T")

OnChange = Callable[[float, int, "int | None", bool], None]
"""Called as on_change(monotonic_s, rx_dial_hz, tx_dial_hz or None, transmitting)."""


class SimulatedRadio:
    """The radio. Its methods act at once; `SimulatedConnection.ask` adds the time they take.

    options: `change` alters them while it runs.
    on_change: called at the instant at which a dial or the transmit state changes. The drift of a
        dial alone does not call it; `rx_dial_hz` can be polled instead.
    """

    def __init__(self, options: SimulatedOptions, clock: DriverClock) -> None:
        self.options = options
        self.clock = clock
        self.on_change: OnChange | None = None
        self._random = random.Random(options.seed)
        self._connections: list[SimulatedConnection] = []
        self._reachable_from_s = -float("inf")
        self._commands = 0
        self._settings = 0
        self._reported: tuple[int, int | None, bool] | None = None
        self._rx_hz = self._tx_hz = 0
        self.rit_hz = self.xit_hz = 0
        self.repeater_shift = False
        self.power_up()

    # its state

    @property
    def rx_dial_hz(self) -> int:
        """The receive dial."""
        return self._rx_hz + self._drift_hz()

    @property
    def tx_dial_hz(self) -> int | None:
        """The transmit dial; None when one dial serves both ways."""
        return self._tx_hz + self._drift_hz() if self.split else None

    @property
    def second_dial_hz(self) -> int:
        """The dial that transmits in split, in use or not."""
        return self._tx_hz + self._drift_hz()

    @property
    def transmitting(self) -> bool:
        """Whether it transmits, by a command or by hand, reported or not."""
        return self._keyed_by_command or self._keyed_by_hand

    def state(self) -> RigState:
        """Returns dials and transmit state as it reports them."""
        transmitting = self.transmitting if self.options.reports_transmit else None
        return RigState(self.rx_dial_hz, self.tx_dial_hz, transmitting)

    def details(self) -> RigDetails:
        """Returns what `RigDetails` holds, as it reports it."""
        offsets = self.rit_hz, self.xit_hz, self.repeater_shift
        return RigDetails(self.mode, self.passband_hz, self.power_fraction, *offsets)

    # its commands; each raises RigRefused when the radio refuses

    def set_split(self, on: bool) -> None:
        """Sets split operation on or off."""
        if on and not self.options.split:
            raise RigRefused("this radio has one dial only")
        if on != self.split and self.transmitting and not self.options.retunes_while_transmitting:
            raise RigRefused("the radio does not change split while it transmits")
        self.press_split(on)

    def set_dials(self, rx_hz: int | None, tx_hz: int | None, *, unused: bool = False) -> None:
        """Sets the dials that are not None. unused: the second dial may be set without split."""
        self._maybe_refuse()
        if self.transmitting and not self.options.retunes_while_transmitting:
            raise RigRefused("the radio does not retune while it transmits")
        if tx_hz is not None and not (self.split or unused):
            raise RigRefused("the radio is not in split operation")
        rx_hz = self._rx_hz if rx_hz is None else self._rounded(rx_hz)
        tx_hz = self._tx_hz if tx_hz is None else self._rounded(tx_hz)
        for low_hz, high_hz in self.options.same_band_refused if self.split else ():
            if low_hz <= rx_hz <= high_hz and low_hz <= tx_hz <= high_hz:
                band = f"{grouped(low_hz)} to {grouped(high_hz)} Hz"
                raise RigRefused(f"the radio cannot hold both dials in {band}")
        self._rx_hz, self._tx_hz = rx_hz, tx_hz
        self._report_change()

    def exchange_dials(self) -> None:
        """Exchanges the frequencies of the two dials."""
        self._rx_hz, self._tx_hz = self._tx_hz, self._rx_hz
        self._report_change()

    def set_transmit(self, on: bool) -> None:
        """Keys or unkeys."""
        self._maybe_refuse()
        if on or not self.options.stuck_transmit:
            self._keyed_by_command = on
        self._report_change()
        if self.transmitting != on:
            raise RigRefused("the radio still transmits")

    def set_mode(self, mode: str, passband_hz: int) -> None:
        """Sets the mode. passband_hz: 0: the mode's normal one."""
        self._maybe_refuse()
        if mode not in PASSBAND_HZ:
            raise RigRefused(f"mode {mode} is not one of {', '.join(PASSBAND_HZ)}")
        self.mode, self.passband_hz = mode, passband_hz or PASSBAND_HZ[mode]

    def set_power(self, fraction: float) -> None:
        """Sets the RF power as a fraction of full power."""
        self._maybe_refuse()
        if self.transmitting:
            raise RigRefused("the radio transmits")
        self.power_fraction = fraction

    def clear_offsets(self, *, rit: bool = True, xit: bool = True, shift: bool = True) -> None:
        """Switches off those of RIT, XIT and repeater shift that are true here."""
        self._maybe_refuse()
        if self.transmitting:
            raise RigRefused("the radio transmits")
        self.rit_hz, self.xit_hz = self.rit_hz * (not rit), self.xit_hz * (not xit)
        self.repeater_shift = self.repeater_shift and not shift

    async def connect(self) -> SimulatedConnection:
        """Returns a connection after the time of one command. Raises RigUnreachable."""
        await self.pass_time(1.0)
        if self.clock.monotonic_s() < self._reachable_from_s:
            raise RigUnreachable("simulated radio not found")
        connection = SimulatedConnection(self)
        self._connections.append(connection)
        return connection

    # the front panel, the mains and the wire

    def change(self, **options: Any) -> None:
        """Changes options while it runs. Raises pydantic's ValidationError."""
        self.options = type(self.options).model_validate({**self.options.model_dump(), **options})

    def key(self, on: bool) -> None:
        """Presses (True) or releases the foot switch."""
        self._keyed_by_hand = on
        self._report_change()

    def turn_dial(self, by_hz: int) -> None:
        """Turns the receive dial by hand."""
        self._rx_hz = self._rounded(self._rx_hz + by_hz)
        self._report_change()

    def press_split(self, on: bool) -> None:
        """Sets split operation on or off by hand."""
        self.split = on
        self._report_change()

    def drop(self) -> None:
        """Ends every connection; it stays unreachable for `options.unreachable_s`."""
        self._reachable_from_s = self.clock.monotonic_s() + self.options.unreachable_s
        for connection in self._connections:
            connection.ended.set()
        self._connections.clear()

    def power_cycle(self) -> None:
        """Switches it off and on: `power_up`, with all connections ended."""
        self.power_up()
        self.drop()

    def power_up(self) -> None:
        """Resets it: receiving, split off, dials and mode of the start. Connections stay."""
        self.split = False
        self.mode, self.passband_hz = "USB", PASSBAND_HZ["USB"]
        self.power_fraction = 0.0
        self.rit_hz, self.xit_hz, self.repeater_shift = 0, 0, False
        self._rx_hz = self._rounded(self.options.start_rx_hz)
        self._tx_hz = self._rounded(self.options.start_tx_hz)
        self._keyed_by_command = self._keyed_by_hand = False
        self._on_since_s = self.clock.monotonic_s()
        self._report_change()

    # for SimulatedConnection

    def loss_instant(self) -> float | None:
        """Counts one command. Returns when within it, 0 to 1, the connection is to be lost; None:
        it is not."""
        self._commands += 1
        every = self.options.drop_every
        return self._random.random() if every > 0 and self._commands % every == 0 else None

    def remove(self, connection: SimulatedConnection) -> None:
        """Removes a connection that has been closed."""
        if connection in self._connections:
            self._connections.remove(connection)

    async def pass_time(self, fraction: float) -> None:
        """Waits for that fraction of the time of one command."""
        if (duration_s := self.options.latency_s * fraction) > 0.0:
            await self.clock.sleep(duration_s)

    def _rounded(self, dial_hz: int) -> int:
        step_hz = self.options.dial_resolution_hz
        return max(step_hz, (dial_hz + step_hz // 2) // step_hz * step_hz)

    def _drift_hz(self) -> int:
        hours = (self.clock.monotonic_s() - self._on_since_s) / 3600.0
        return round(self.options.drift_hz_per_hour * hours)

    def _maybe_refuse(self) -> None:
        self._settings += 1
        every = self.options.refuse_every
        by_count = every > 0 and self._settings % every == 0
        if by_count or self._random.random() < self.options.refuse_probability:
            raise RigRefused("rejected (simulated)")

    def _report_change(self) -> None:
        state = (self.rx_dial_hz, self.tx_dial_hz, self.transmitting)
        if state != self._reported:
            self._reported = state
            if self.on_change is not None:
                self.on_change(self.clock.monotonic_s(), *state)
