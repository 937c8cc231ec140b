"""The records of a journal: immutable values, each with a reference to what it belongs to.

A second refers to its context and a context to its session, so that whatever had to be dropped or
written again, the rest can be written whole. Sessions, contexts and faults are compared by
identity: two with the same contents are two."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from moontrim.journal.schema import PER_DEG, PER_HZ, PER_S, US_PER_MS
from moontrim.keying.sequence import Phase
from moontrim.rig.steplog import DialStep
from moontrim.state.snapshot import DialView, Snapshot, Tracking

LONGEST_TEXT = 500  # chosen: characters; text from a network must not fill the disk


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class SessionBegin:
    """The beginning of a session: one run of the daemon; also when the clock is set back, or home
    moves."""

    began_utc_s: float
    version: str
    station_json: str

    @property
    def session(self) -> SessionBegin:
        """The record itself, as the other records have it."""
        return self


@dataclass(frozen=True, slots=True, eq=False)
class SessionEnd:
    """The end of a session."""

    session: SessionBegin
    ended_utc_s: float


class Choice(NamedTuple):
    """The operator's choices, in the order of the columns of `contexts`."""

    band: str
    sked_hz: float
    tx_sked_hz: float
    agreement: str
    partner: str
    rx_trim_hz: float
    tx_trim_hz: float
    correcting: bool
    sked: str
    over_s: float


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class ContextRecord:
    """The choices from an instant on."""

    session: SessionBegin
    from_utc_s: float
    choice: Choice


class Numbers(NamedTuple):
    """The columns of `seconds_raw` that are the same in every file, scaled and in their order."""

    rx_ideal_e4: int | None
    rx_dial_hz: int | None
    rx_correction_e4: int | None
    tx_ideal_e4: int | None
    tx_dial_hz: int | None
    tx_correction_e4: int | None
    elevation_e3: int | None
    azimuth_e3: int | None
    partner_elevation_e3: int | None
    transmitting: int | None


@dataclass(frozen=True, slots=True, eq=False)
class Second:
    """The row of one second. at_us: microseconds from utc_s to the instant of the snapshot."""

    context: ContextRecord
    utc_s: int
    at_us: int
    tracking: Tracking
    keying: Phase
    numbers: Numbers
    lateness_ms: int | None
    clock_bound_us: int | None

    @property
    def session(self) -> SessionBegin:
        """The session of its context."""
        return self.context.session


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class CommandRecord:
    """A command. by: who sent it. outcome: `done`, or the refusal."""

    session: SessionBegin
    at_utc_s: float
    by: str
    what: str
    outcome: str


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class TroubleRecord:
    """The beginning of a fault. kind: `tracking:STATE`, `missed` or `event`."""

    session: SessionBegin
    from_utc_s: float
    kind: str
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class FaultRecord:
    """A fault: written with to_utc_s None while it lasts, and once more when it is over."""

    stretch: TroubleRecord
    to_utc_s: float | None

    @property
    def session(self) -> SessionBegin:
        """The session that it began in."""
        return self.stretch.session


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class StepRecord:
    """A change of a dial. step: as the rig link noted it."""

    session: SessionBegin
    step: DialStep


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class KeyingEdge:
    """The instant at which the transmit sequence came into a state. by: who requested the over."""

    session: SessionBegin
    at_utc_s: float
    state: Phase
    by: str


@dataclass(frozen=True, slots=True, eq=False)
class BudgetEntry:
    """An error budget. error_95_hz: see `errorbudget.budget`. json: both budgets whole."""

    session: SessionBegin
    at_utc_s: float
    rx_error_95_hz: float | None
    tx_error_95_hz: float | None
    largest: str
    advice: str
    json: str


Record = (
    SessionBegin
    | SessionEnd
    | ContextRecord
    | Second
    | StepRecord
    | KeyingEdge
    | CommandRecord
    | FaultRecord
    | BudgetEntry
)


def numbers_of(snapshot: Snapshot) -> Numbers:
    """Returns the dials and the Moon of a snapshot; None for what is not a number."""
    moon = snapshot.moon
    return Numbers(
        *_dial(snapshot.rx),
        *_dial(snapshot.tx),
        scaled(moon.elevation_deg if moon else None, PER_DEG),
        scaled(moon.azimuth_deg if moon else None, PER_DEG),
        scaled(moon.partner_elevation_deg if moon else None, PER_DEG),
        None if snapshot.transmitting is None else int(snapshot.transmitting),
    )


def _dial(dial: DialView | None) -> tuple[int | None, int | None, int | None]:
    """Returns ideal dial, dial and correction, scaled."""
    if dial is None:
        return None, None, None
    return (
        scaled(dial.ideal_dial_hz, PER_HZ),
        scaled(dial.dial_hz, 1),
        scaled(dial.correction_hz, PER_HZ),
    )


def scaled(value: float | None, per_unit: int) -> int | None:
    """Returns a whole number of parts of a unit; None for what is not a number, or does not fit a
    column."""
    if value is None or not math.isfinite(value):
        return None
    whole = round(value * per_unit)
    return whole if abs(whole) < 2**63 else None


def clock_bound(bound_s: float | None) -> int | None:
    """Returns the bound of the clock's error in microseconds."""
    return scaled(bound_s, PER_S)


def offset_us(at_utc_s: float, utc_s: int) -> int:
    """Returns the microseconds from a whole second to an instant."""
    return round((at_utc_s - utc_s) * PER_S)


def milliseconds(offset_us: int) -> int:
    """Returns microseconds as whole milliseconds."""
    return round(offset_us / US_PER_MS)


def clean(text: str) -> str:
    """Returns a text that can be stored: Unicode without lone surrogates, and not too long."""
    return text.encode(errors="replace").decode()[:LONGEST_TEXT]
