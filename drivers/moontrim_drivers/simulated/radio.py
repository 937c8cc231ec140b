"""A radio that exists only in memory, with the bad habits of real ones.

Owns the state of one pretended radio (dials, split, transmit, mode, power), its habits, and how
long its commands take. It knows no driver and no wire: a driver, or a simulator that speaks a real
wire, asks it through a Connection. The methods in the last part of SimulatedRadio are for the
outside world: hands on the front panel, the mains switch, a recorder.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable
from typing import Any, TypeVar

from moontrim_drivers.contract import (
    DriverClock,
    RigClosed,
    RigDetails,
    RigError,
    RigRefused,
    RigState,
    RigUnreachable,
)
from moontrim_drivers.simulated.habits import PASSBAND_HZ, SimulatedOptions

T = TypeVar("T")

# called as on_change(monotonic_s, rx_dial_hz, tx_dial_hz or None, transmitting)
OnChange = Callable[[float, int, "int | None", bool], None]


class SimulatedRadio:
    """The radio. Its commands act at once; Connection.ask gives them their duration.

    options: its habits; `change` alters them while it runs.
    on_change: called at the very instant a dial or the transmit state changes. A dial that creeps
    is looked at only when something else happens; sample `rx_dial_hz` to follow it.
    """

    def __init__(self, options: SimulatedOptions, clock: DriverClock) -> None:
        self.options = options
        self.clock = clock
        self.on_change: OnChange | None = None
        self._random = random.Random(options.seed)
        self._connections: list[SimulatedConnection] = []
        self._reachable_from_s = -float("inf")
        self._asked = 0
        self._settings = 0
        self._seen: tuple[int, int | None, bool] | None = None
        self._rx_hz = self._tx_hz = 0
        self.power_up()

    # what it shows

    @property
    def rx_dial_hz(self) -> int:
        return self._rx_hz + self._creep_hz()

    @property
    def tx_dial_hz(self) -> int | None:
        """The transmit dial; None when one dial serves both ways."""
        return self._tx_hz + self._creep_hz() if self.split else None

    @property
    def second_dial_hz(self) -> int:
        """The dial that transmits in split, in use or not."""
        return self._tx_hz + self._creep_hz()

    @property
    def transmitting(self) -> bool:
        return self._keyed_by_command or self._keyed_by_hand

    def state(self) -> RigState:
        transmitting = self.transmitting if self.options.reports_transmit else None
        return RigState(self.rx_dial_hz, self.tx_dial_hz, transmitting)

    def details(self) -> RigDetails:
        return RigDetails(self.mode, self.passband_hz, self.power_fraction)

    # what can be asked of it; each raises RigRefused when it would not

    def set_split(self, on: bool) -> None:
        if on and not self.options.split:
            raise RigRefused("this radio has one dial only")
        if on != self.split and self.transmitting and not self.options.retunes_while_transmitting:
            raise RigRefused("the radio does not change split while it transmits")
        self.press_split(on)

    def set_dials(self, rx_hz: int | None, tx_hz: int | None, *, unused: bool = False) -> None:
        """unused: the second dial may be set without split operation, too."""
        self._maybe_refuse()
        if self.transmitting and not self.options.retunes_while_transmitting:
            raise RigRefused("the radio does not retune while it transmits")
        if tx_hz is not None and not (self.split or unused):
            raise RigRefused("the radio is not in split operation")
        rx_hz = self._rx_hz if rx_hz is None else self._rounded(rx_hz)
        tx_hz = self._tx_hz if tx_hz is None else self._rounded(tx_hz)
        for low_hz, high_hz in self.options.same_band_refused if self.split else ():
            if low_hz <= rx_hz <= high_hz and low_hz <= tx_hz <= high_hz:
                raise RigRefused(f"the radio cannot hold both dials in {low_hz} to {high_hz} Hz")
        self._rx_hz, self._tx_hz = rx_hz, tx_hz
        self._notice()

    def exchange_dials(self) -> None:
        """Take the second dial for the first, and the other way round."""
        self._rx_hz, self._tx_hz = self._tx_hz, self._rx_hz
        self._notice()

    def set_transmit(self, on: bool) -> None:
        self._maybe_refuse()
        if on or not self.options.stuck_transmit:
            self._keyed_by_command = on
        self._notice()
        if self.transmitting != on:
            raise RigRefused("the radio still transmits")

    def set_mode(self, mode: str, passband_hz: int) -> None:
        self._maybe_refuse()
        if mode not in PASSBAND_HZ:
            raise RigRefused(f"mode {mode} is not one of {', '.join(PASSBAND_HZ)}")
        self.mode, self.passband_hz = mode, passband_hz or PASSBAND_HZ[mode]

    def set_power(self, fraction: float) -> None:
        self._maybe_refuse()
        if self.transmitting:
            raise RigRefused("the radio transmits")
        self.power_fraction = fraction

    async def connect(self) -> SimulatedConnection:
        """A connection, one command time later. Raises RigUnreachable."""
        await self.pass_time(1.0)
        if self.clock.monotonic_s() < self._reachable_from_s:
            raise RigUnreachable("the simulated radio is not there")
        connection = SimulatedConnection(self)
        self._connections.append(connection)
        return connection

    # the outside world

    def change(self, **habits: Any) -> None:
        """Give it other habits while it runs, named as in SimulatedOptions and checked as there."""
        self.options = type(self.options).model_validate({**self.options.model_dump(), **habits})

    def key(self, on: bool) -> None:
        """Press or release the foot switch."""
        self._keyed_by_hand = on
        self._notice()

    def turn_dial(self, by_hz: int) -> None:
        """Turn the receive dial by hand."""
        self._rx_hz = self._rounded(self._rx_hz + by_hz)
        self._notice()

    def press_split(self, on: bool) -> None:
        """Split operation on or off by hand."""
        self.split = on
        self._notice()

    def drop(self) -> None:
        """Lose every connection; it stays unreachable for `options.unreachable_s`."""
        self._reachable_from_s = self.clock.monotonic_s() + self.options.unreachable_s
        for connection in self._connections:
            connection.ended.set()
        self._connections.clear()

    def power_cycle(self) -> None:
        """Off and on: connections lost, receiving, dials and mode as after power-up, split off."""
        self.power_up()
        self.drop()

    def power_up(self) -> None:
        """Receiving, dials and mode as after power-up, split off. Connections stay."""
        self.split = False
        self.mode, self.passband_hz = "USB", PASSBAND_HZ["USB"]
        self.power_fraction = 0.0
        self._rx_hz = self._rounded(self.options.start_rx_hz)
        self._tx_hz = self._rounded(self.options.start_tx_hz)
        self._keyed_by_command = self._keyed_by_hand = False
        self._on_since_s = self.clock.monotonic_s()
        self._notice()

    # for Connection

    def misfortune(self) -> bool:
        """Count one command; True if the connection is to be lost in it."""
        self._asked += 1
        return self.options.drop_every > 0 and self._asked % self.options.drop_every == 0

    def chance(self) -> float:
        return self._random.random()

    def forget(self, connection: SimulatedConnection) -> None:
        if connection in self._connections:
            self._connections.remove(connection)

    async def pass_time(self, share: float) -> None:
        """Let that share of one command time pass."""
        if (duration_s := self.options.latency_s * share) > 0.0:
            await self.clock.sleep(duration_s)

    def _rounded(self, dial_hz: int) -> int:
        step_hz = self.options.dial_resolution_hz
        return max(step_hz, (dial_hz + step_hz // 2) // step_hz * step_hz)

    def _creep_hz(self) -> int:
        hours = (self.clock.monotonic_s() - self._on_since_s) / 3600.0
        return round(self.options.drift_hz_per_hour * hours)

    def _maybe_refuse(self) -> None:
        self._settings += 1
        every = self.options.refuse_every
        by_count = every > 0 and self._settings % every == 0
        if by_count or self._random.random() < self.options.refuse_probability:
            raise RigRefused("the simulated radio is in no mood for it")

    def _notice(self) -> None:
        seen = (self.rx_dial_hz, self.tx_dial_hz, self.transmitting)
        if seen != self._seen:
            self._seen = seen
            if self.on_change is not None:
                self.on_change(self.clock.monotonic_s(), *seen)


class SimulatedConnection:
    """One way to the radio. `ended` is set when the radio, or `close`, has ended it."""

    def __init__(self, radio: SimulatedRadio) -> None:
        self._radio = radio
        self.ended = asyncio.Event()

    async def ask(self, action: Callable[[], T]) -> T:
        """Let the radio do something; it takes `latency_s` and happens `effect_fraction` into that.

        Raises RigRefused after the whole time, RigClosed as soon as the connection is known to be
        lost (whether the radio did it by then is as uncertain as with a real one).
        """
        radio = self._radio
        self._check()
        # where within the command the connection is lost: before the radio acts, or after
        lost_at = radio.chance() if radio.misfortune() else None
        if radio.options.silent:
            await self.ended.wait()
        before = radio.options.effect_fraction
        await radio.pass_time(before)
        if lost_at is not None and lost_at < 0.5:
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
        self.ended.set()
        self._radio.forget(self)

    def _check(self) -> None:
        if self.ended.is_set():
            raise RigClosed("the simulated radio ended the connection")
