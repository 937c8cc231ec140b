"""What the rig link shows and reports: its state, the last read-back, and events for the tracker.

CONNECTING -> READY <-> REFUSING | DISAGREES     the radio answers; only setting it fails
    ^           |
    +--- LOST <-+     no usable answer; tried again for ever
UNFIT                 this radio cannot do what is asked; tried again slowly
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from moontrim.tuning.steps import DialName
from moontrim_drivers.contract import RigState


class LinkState(StrEnum):
    """State of the connection to the radio, and whether the radio does as it is told."""

    CONNECTING = "connecting"
    READY = "ready"
    REJECTS = "rejects commands"
    MISMATCH = "readback mismatch"
    NO_CONTACT = "no contact"
    NOT_SUITABLE = "not suitable"


ANSWERING = frozenset({LinkState.READY, LinkState.REJECTS, LinkState.MISMATCH})


@dataclass(frozen=True, slots=True)
class LinkView:
    """What is known of the radio.

    rig: the last read-back; None when not connected. interlock: why it must not transmit now;
    empty if it may. cannot_key: why it has no transmit command that works, with the remedy.
    entered: since it answers, it has been found as its band wants it, drive and all. panel: why it
    is not on the frequency that its dials show, such as RIT. exchanged: that A and B were exchanged
    and are not restored yet, with the remedy. not_watched: what it does not report of all that.
    set_latency_s: the median duration of setting one dial. sets, connections, failures: counts
    since the start."""

    state: LinkState = LinkState.CONNECTING
    reason: str = "not connected yet"
    rig: RigState | None = None
    interlock: str = ""
    cannot_key: str = ""
    entered: bool = False
    panel: str = ""
    exchanged: str = ""
    not_watched: tuple[str, ...] = ()
    split: bool = False
    dial_resolution_hz: int = 1
    steps_per_s: float = 1.0
    set_latency_s: float = 0.0
    sets: int = 0
    connections: int = 0
    failures: int = 0


@dataclass(frozen=True, slots=True)
class Connected:
    """The radio answers (again) and is in this state."""

    rig: RigState


@dataclass(frozen=True, slots=True)
class Lost:
    """The radio does not answer any more."""

    reason: str


@dataclass(frozen=True, slots=True)
class DialMoved:
    """A dial is not where we left it: someone turned it, or another program set it.

    together: the other dial has moved as well, and is reported by another of these. exchanged: A
    and B were exchanged, or one was copied to the other; reported once for both. placed: it had
    been set where it belongs before, so that it shows where an operator wants to be."""

    which: DialName
    from_hz: int
    to_hz: int
    together: bool = False
    exchanged: bool = False
    placed: bool = True


@dataclass(frozen=True, slots=True)
class DialTurning:
    """The receive dial is elsewhere than at the last look, and may still be moving; `DialMoved`
    follows when it rests."""

    from_hz: int
    to_hz: int


@dataclass(frozen=True, slots=True)
class TransmitChanged:
    """The radio has begun or ceased to transmit."""

    transmitting: bool


@dataclass(frozen=True, slots=True)
class NotUnkeyed:
    """The radio transmits although it must not, and cannot be stopped."""

    reason: str


@dataclass(frozen=True, slots=True)
class Interlocked:
    """There is an interlock: the radio is not as its band wants it, so it must not transmit."""

    reason: str


@dataclass(frozen=True, slots=True)
class Updated:
    """The view has changed, or the radio was looked at on request; there is nothing to decide."""

    on_request: bool = False


LinkEvent = (
    Connected
    | Lost
    | DialMoved
    | DialTurning
    | TransmitChanged
    | NotUnkeyed
    | Interlocked
    | Updated
)
