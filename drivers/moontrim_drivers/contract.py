"""The contract between the daemon and a radio driver.

A driver moves frequencies, transmit state, mode and power between numbers and one radio's wire. It
knows nothing of the Moon, of bands or of correction, keeps no schedule of its own and starts no
retries: the daemon's rig link owns deadlines, reconnection, sanity checks and pacing, so that every
driver gets them. This module is a leaf: it imports nothing of ours.

Frequencies here are **dial** frequencies, whole hertz, as the radio shows them.

RigError
|-- RigUnreachable   no connection could be made                            transient
|-- RigClosed        the other side ended the connection (EOF, reset)       transient
|-- RigTimeout       an answer did not come in time                         transient
|-- RigGarbled       bytes came that are no answer to what was asked        transient
|-- RigRefused       the radio understood and said no                       transient
`-- RigUnfit         this radio or set-up can never do it                   permanent
"""

from __future__ import annotations

import contextlib
from abc import ABC, abstractmethod
from collections.abc import Awaitable, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Protocol

from pydantic import BaseModel, ConfigDict


class RigError(Exception):
    """Something went wrong at the radio. `transient` says whether trying again can help."""

    transient: ClassVar[bool] = True
    reason: ClassVar[str] = "error"


class RigUnreachable(RigError):
    reason = "unreachable"


class RigClosed(RigError):
    reason = "closed"


class RigTimeout(RigError):
    reason = "timeout"


class RigGarbled(RigError):
    reason = "garbled"


class RigRefused(RigError):
    """The radio said no. The connection is healthy; only this request failed."""

    reason = "refused"


class RigUnfit(RigError):
    transient = False
    reason = "unfit"


class DriverClock(Protocol):
    """The only source of time a driver may use, so that a rehearsal can run on its own clock."""

    def monotonic_s(self) -> float:
        """Seconds on a clock that never steps."""
        ...

    def sleep(self, duration_s: float) -> Awaitable[None]:
        """Wait that many seconds of this clock."""
        ...


@dataclass(frozen=True, slots=True)
class RigState:
    """What the radio says of itself, read back, never remembered.

    tx_dial_hz: the transmit dial in split operation; None when one dial serves both.
    transmitting: None when the radio cannot tell.
    """

    rx_dial_hz: int
    tx_dial_hz: int | None
    transmitting: bool | None


@dataclass(frozen=True, slots=True)
class RigDetails:
    """What changes seldom: mode by its usual name (USB, CW, PKTUSB ...), passband in Hz (0: the
    mode's normal one), RF power as a fraction of full. None where the radio cannot tell."""

    mode: str | None
    passband_hz: int | None
    power_fraction: float | None


@dataclass(frozen=True, slots=True)
class Capabilities:
    """What this radio can do, known once `open` has returned.

    split: receive and transmit have dials of their own.
    dial_resolution_hz: smallest dial step.
    retunes_while_transmitting: the transmit dial may be set while the radio is keyed.
    reports_transmit: `RigState.transmitting` is a real answer.
    sets_power: `set_power` works and cannot cause a burst of full power.
    max_sets_per_s: dial sets the radio takes per second, both dials together; None: as fast as it
        answers.
    effect_fraction: where inside the duration of a `set_dials` call the dial really moves, 0 (at
        once) to 1 (as the call returns). The rig link sends sets ahead by that share of the
        duration it measures.
    own_pauses_s: the longest that a `set_dials` waits of the driver's own accord, granted on top of
        the deadline.
    """

    split: bool
    dial_resolution_hz: int
    retunes_while_transmitting: bool
    reports_transmit: bool
    sets_power: bool
    max_sets_per_s: float | None = None
    effect_fraction: float = 0.5
    own_pauses_s: float = 0.0


class DriverOptions(BaseModel):
    """Base of a driver's own settings, the [radio] table of the config. Unknown keys are
    refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class RigDriver(ABC):
    """One radio. Methods are called one at a time, never concurrently, by the one rig link that
    owns it.

    Any method may be cancelled at any await (the caller's deadline ran out); afterwards the only
    call made is `close`. Every method but `close` raises only RigError. A subclass sets `Options`
    and is made with a validated instance of it and a clock; construction does no input or output.
    """

    Options: ClassVar[type[DriverOptions]] = DriverOptions

    def __init__(self, options: Any, clock: DriverClock) -> None:
        self.options = options
        self.clock = clock

    @property
    @abstractmethod
    def capabilities(self) -> Capabilities:
        """Valid after `open`."""

    @abstractmethod
    async def open(self, *, unkey: bool = False) -> None:
        """Connect, prepare split operation where asked for, and leave the radio receiving as it
        was. Stateless if it fails: a later `open` starts afresh. Never keys the radio.

        unkey: it may have been left keyed, so have it receive before anything is set; many a radio
        changes nothing else under RF. Opened all the same if it will not."""

    @abstractmethod
    async def close(self) -> None:
        """Let go of the radio; return within 0.5 s; never raise; harmless when not open. Does not
        retune."""

    @abstractmethod
    async def read(self) -> RigState:
        """Ask the radio, not a memory of it."""

    @abstractmethod
    async def set_dials(self, rx_hz: int | None, tx_hz: int | None) -> RigState:
        """Set the dials that are not None, then read back and return what the radio now says.

        The caller judges the difference; an acknowledgement alone is no proof. With one dial for
        both (`capabilities.split` false) tx_hz must be None. RigRefused if the radio says no."""

    @abstractmethod
    async def set_transmit(self, on: bool) -> None:
        """Key or unkey the radio; returns once it has confirmed. RigRefused if it would not."""

    async def _receive_first(self) -> None:
        """What `open` does for `unkey`, as soon as anything can be said."""
        with contextlib.suppress(RigRefused, RigUnfit):
            await self.set_transmit(False)

    @abstractmethod
    async def details(self) -> RigDetails:
        """Mode, passband and power."""

    @abstractmethod
    async def set_mode(self, mode: str, passband_hz: int) -> None:
        """Set the receive mode and, in split, the transmit mode; passband 0 keeps the mode's normal
        one."""

    @abstractmethod
    async def set_power(self, fraction: float) -> None:
        """RF power, 0 to 1. RigUnfit where `capabilities.sets_power` is false. Never while
        transmitting."""

    async def send_commands(self, commands: Sequence[str]) -> None:
        """Commands that only this radio knows, in the notation of its bus, one after the other,
        never while transmitting. RigUnfit where the driver takes none, or one is not fit to be sent
        (one that would transmit, say): then none is sent. RigRefused as soon as the radio says
        no."""
        if commands:
            raise RigUnfit("this driver takes no commands in the notation of a bus")
