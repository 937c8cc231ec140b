"""The contract between the daemon and a radio driver.

A driver translates between values (frequencies, transmit state, mode, power) and the messages of
one radio. It knows nothing of the Moon, of bands or of correction. It has no schedule and makes no
retries: deadlines, reconnection, sanity checks and pacing are done by the daemon's rig link, for
every driver alike. This module imports nothing else of moontrim.

All frequencies are **dial** frequencies in whole hertz, as the radio shows them.

The life of a driver: it is made with validated options and a clock, without input or output. The
rig link calls `open`, then any of the other methods, one at a time. When a method raises an error
other than RigRefused, or misses its deadline and is cancelled, the link calls `close` and later
`open` again. What a radio was set to counts only once it has been read back.

RigError
|-- RigUnreachable   no connection could be made                            transient
|-- RigClosed        the other side ended the connection (EOF, reset)       transient
|-- RigTimeout       an answer did not come in time                         transient
|-- RigGarbled       bytes came that do not answer the question             transient
|-- RigRefused       the radio understood and refused                       transient
`-- RigNotSuitable   this radio or set-up can never do it                   permanent
"""

from __future__ import annotations

import contextlib
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Awaitable, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from typing import Any, ClassVar, Protocol

from pydantic import BaseModel, ConfigDict

from moontrim_drivers.emergencyunkey import EmergencyUnkey


class RigError(Exception):
    """The base of a driver's errors. str() is one line for a person.

    transient: whether trying again can help."""

    transient: ClassVar[bool] = True


class RigUnreachable(RigError):
    """No connection could be made: nothing listens, the port does not exist or is in use."""


class RigClosed(RigError):
    """The connection has ended, or the driver is not open."""


class RigTimeout(RigError):
    """An answer did not come in time."""


class RigGarbled(RigError):
    """Bytes came that do not answer the question, or the radio's set-up changed by itself."""


class RigRefused(RigError):
    """The radio refused. The connection is healthy; only this request failed."""


class RigNotSuitable(RigError):
    """This radio, or the way it is set up, can never do it; nothing is gained by trying again."""

    transient = False


class DriverClock(Protocol):
    """The only source of time a driver may use, so that a rehearsal can run on a virtual clock."""

    def monotonic_s(self) -> float:
        """Returns seconds of a clock that never steps."""
        ...

    def sleep(self, duration_s: float) -> Awaitable[None]:
        """Waits that many seconds of this clock."""
        ...

    def timeout(self, duration_s: float) -> AbstractAsyncContextManager[object]:
        """Returns a context that raises TimeoutError when its body takes longer. Every deadline of
        an answer uses it: time in which this process did not run is not the radio's."""
        ...


@dataclass(frozen=True, slots=True)
class RigState:
    """Dials and transmit state as read from the radio, never from memory.

    rx_dial_hz: the receive dial.
    tx_dial_hz: the transmit dial in split operation; None when one dial serves both.
    transmitting: whether the radio transmits; None when it cannot report that.
    """

    rx_dial_hz: int
    tx_dial_hz: int | None
    transmitting: bool | None


@dataclass(frozen=True, slots=True)
class RigDetails:
    """The settings of the radio that change seldom. Each is None where the radio cannot report it.

    mode: its usual name, such as USB, CW or PKTUSB.
    passband_hz: 0: the mode's normal one.
    power_fraction: RF power as a fraction of full power, 0 to 1.
    rit_hz, xit_hz: how far the radio receives, or transmits, off its dial; 0: not at all.
    repeater_shift: whether it transmits off its dial by the shift of a repeater.
    """

    mode: str | None
    passband_hz: int | None
    power_fraction: float | None
    rit_hz: int | None = None
    xit_hz: int | None = None
    repeater_shift: bool | None = None


@dataclass(frozen=True, slots=True)
class Capabilities:
    """What this radio can do. Known once `open` has returned.

    split: receive and transmit have a dial each.
    dial_resolution_hz: the smallest dial step.
    retunes_while_transmitting: the transmit dial may be set while the radio is keyed.
    reports_transmit: `RigState.transmitting` is never None.
    sets_power: `set_power` works and cannot cause a burst of full power.
    max_sets_per_s: how many dial sets per second the radio takes, both dials together; None: as
        many as it answers.
    effect_fraction: when the dial moves within the duration of a `set_dials` call, from 0 (as the
        call begins) to 1 (as it returns). The rig link calls ahead of the planned instant by this
        fraction of the duration that it measures.
    driver_pauses_s: the longest that the driver itself pauses within a `set_dials` call; the rig
        link adds it to the deadline.
    """

    split: bool
    dial_resolution_hz: int
    retunes_while_transmitting: bool
    reports_transmit: bool
    sets_power: bool
    max_sets_per_s: float | None = None
    effect_fraction: float = 0.5
    driver_pauses_s: float = 0.0


class DriverOptions(BaseModel):
    """Base of a driver's own settings, the [radio] table of the config. Unknown keys are
    refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    @property
    def shared_address(self) -> str:
        """Where the radio is reached, if other programs may be connected there at the same time;
        empty: they cannot be."""
        return ""


class RigDriver(ABC):
    """The connection to one radio. A driver derives from this class.

    Methods are called one at a time, never concurrently, by the one rig link that owns the driver.
    Any of them may be cancelled at any await, when the caller's deadline has passed; the next call
    is then `close`. Every method but `close` raises RigError and nothing else.

    A subclass sets `Options` to its own model of options. It is made with a validated instance of
    that model and a clock; making it does no input or output.
    """

    Options: ClassVar[type[DriverOptions]] = DriverOptions

    def __init__(self, options: Any, clock: DriverClock) -> None:
        self.options = options
        self.clock = clock

    @property
    @abstractmethod
    def capabilities(self) -> Capabilities:
        """What the radio can do; valid after `open`."""

    @abstractmethod
    async def open(self, *, unkey: bool = False) -> None:
        """Connects, sets split operation on or off as the options say, and leaves the radio
        receiving as it was; never keys it. After a failure a later `open` starts afresh.

        unkey: the radio may have been left keyed, so it is set to receive first, because many
        radios change nothing else under RF. One that refuses to is opened all the same."""

    @abstractmethod
    async def close(self) -> None:
        """Ends the connection within 0.5 s. Never raises; harmless when not open; moves no dial."""

    @abstractmethod
    async def read(self) -> RigState:
        """Returns the state that the radio reports now, never a remembered one."""

    @abstractmethod
    async def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        """Sets the dials that are not None. Returns the state read back afterwards, which the
        caller compares: an acknowledgement alone proves nothing.

        tx_hz: must be None where one dial serves both ways (`capabilities.split` is false).

        Raises RigRefused if the radio refuses, RigNotSuitable for a value that `limits` forbids."""

    @abstractmethod
    async def set_transmit(self, on: bool) -> None:
        """Keys or unkeys the radio; returns once the radio has confirmed it. Raises RigRefused if
        it does not, and RigNotSuitable if it has no such command and does not report transmitting
        either: then it cannot have been keyed by this driver."""

    def emergency_unkey(self) -> EmergencyUnkey | None:
        """Returns how another process can unkey the radio if this one hangs, valid until `close`;
        None where none can, or not open. Without it a radio is not keyed by its command."""
        return None

    async def _receive_first(self) -> None:
        """Unkeys for `open(unkey=True)`; an implementation calls it as soon as it can send."""
        with contextlib.suppress(RigRefused, RigNotSuitable):
            await self.set_transmit(False)

    @abstractmethod
    def details_in_parts(self) -> AsyncIterator[RigDetails | None]:
        """Yields None after each question to the radio but the last, when other methods may be
        called, and then mode, passband, power and offsets as the radio reports them."""

    async def details(self) -> RigDetails:
        """Returns what `details_in_parts` yields last."""
        parts = self.details_in_parts()
        while (details := await anext(parts)) is None:
            pass
        return details

    async def power_fraction(self) -> float | None:
        """Returns the RF power, 0 to 1, as the radio reports it now; None where it cannot. It is
        polled several times a second while transmitting, so a driver asks for nothing else."""
        return (await self.details()).power_fraction

    @abstractmethod
    async def set_mode(self, mode: str, passband_hz: int) -> None:
        """Sets the receive mode and, in split, the transmit mode. Raises RigRefused if the radio
        does not have it.

        passband_hz: 0: the mode's normal one."""

    @abstractmethod
    async def set_power(self, fraction: float) -> None:
        """Sets the RF power, as a fraction of full power, 0 to 1. Raises RigNotSuitable where
        `capabilities.sets_power` is false, RigRefused while the radio transmits."""

    async def clear_offsets(self) -> None:
        """Switches off RIT, XIT and repeater shift, those that the radio has; `details` tells
        whether it did. Raises RigRefused while the radio transmits, and where it refuses;
        RigNotSuitable where the driver cannot."""
        raise RigNotSuitable("this driver does not switch off RIT and XIT")

    async def send_commands(self, commands: Sequence[str]) -> None:
        """Sends commands that only this radio knows, in the notation of its bus, in order.

        Raises RigNotSuitable, with none sent, where the driver takes no such commands or one of
        them is not fit to be sent (it could make the radio transmit, for example). Raises
        RigRefused while the radio transmits, and as soon as it refuses one."""
        if commands:
            raise RigNotSuitable("this driver takes no commands in the notation of a bus")
