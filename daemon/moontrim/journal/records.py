"""What is written: frozen values, each of which carries what it belongs to.

A second knows its context and a context its session, so that whatever had to be dropped or written
again, what is left can still be written whole. Sessions, contexts and stretches are told apart by
identity: two that look alike are two."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from moontrim.journal.schema import PER_DEG, PER_HZ, PER_S, US_PER_MS
from moontrim.keying.sequence import Phase
from moontrim.state.snapshot import DialView, Snapshot, Tracking

LONGEST_TEXT = 500  # characters; what comes from a network is not to fill the disk


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class SessionBegin:
    """One run of the daemon; a new one also begins when the clock is set back."""

    began_utc_s: float
    version: str
    station_json: str

    @property
    def session(self) -> SessionBegin:
        return self


@dataclass(frozen=True, slots=True, eq=False)
class SessionEnd:
    session: SessionBegin
    ended_utc_s: float


class Choice(NamedTuple):
    """What the operator has chosen, in the order of the columns."""

    band: str
    sked_hz: float
    tx_sked_hz: float
    agreement: str
    partner: str
    trim_rx_hz: float
    trim_tx_hz: float
    correcting: bool


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class ContextRecord:
    session: SessionBegin
    from_utc_s: float
    choice: Choice


class Numbers(NamedTuple):
    """Columns of `seconds_raw` that are the same in every file, scaled and in their order."""

    rx_ideal_e4: int | None
    rx_dial_hz: int | None
    rx_shift_e4: int | None
    tx_ideal_e4: int | None
    tx_dial_hz: int | None
    tx_shift_e4: int | None
    elevation_e3: int | None
    azimuth_e3: int | None
    partner_elevation_e3: int | None
    transmitting: int | None


@dataclass(frozen=True, slots=True, eq=False)
class Second:
    """at_us: microseconds from utc_s to the instant of the snapshot."""

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
        return self.context.session


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class CommandRecord:
    session: SessionBegin
    at_utc_s: float
    by: str
    what: str
    outcome: str


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class TroubleRecord:
    """Time in which something was wrong."""

    session: SessionBegin
    from_utc_s: float
    kind: str
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class FaultRecord:
    """A stretch as far as it is known: to_utc_s None while it lasts, then once more."""

    stretch: TroubleRecord
    to_utc_s: float | None

    @property
    def session(self) -> SessionBegin:
        return self.stretch.session


@dataclass(frozen=True, slots=True, eq=False)
class BudgetEntry:
    session: SessionBegin
    at_utc_s: float
    rx_bound95_hz: float | None
    tx_bound95_hz: float | None
    largest: str
    advice: str
    json: str


Record = (
    SessionBegin | SessionEnd | ContextRecord | Second | CommandRecord | FaultRecord | BudgetEntry
)


def numbers_of(seen: Snapshot) -> Numbers:
    """A snapshot's dials and Moon; what is no number is left out."""
    moon = seen.moon
    return Numbers(
        *_dial(seen.rx),
        *_dial(seen.tx),
        scaled(moon.elevation_deg if moon else None, PER_DEG),
        scaled(moon.azimuth_deg if moon else None, PER_DEG),
        scaled(moon.partner_elevation_deg if moon else None, PER_DEG),
        None if seen.transmitting is None else int(seen.transmitting),
    )


def _dial(dial: DialView | None) -> tuple[int | None, int | None, int | None]:
    if dial is None:
        return None, None, None
    return (
        scaled(dial.ideal_dial_hz, PER_HZ),
        scaled(dial.dial_hz, 1),
        scaled(dial.shift_hz, PER_HZ),
    )


def scaled(value: float | None, per_unit: int) -> int | None:
    """A whole number of parts of a unit; None for what is none, or does not fit a column."""
    if value is None or not math.isfinite(value):
        return None
    whole = round(value * per_unit)
    return whole if abs(whole) < 2**63 else None


def clock_bound(bound_s: float | None) -> int | None:
    return scaled(bound_s, PER_S)


def offset_us(at_utc_s: float, utc_s: int) -> int:
    return round((at_utc_s - utc_s) * PER_S)


def milliseconds(offset_us: int) -> int:
    return round(offset_us / US_PER_MS)


def clean(text: str) -> str:
    """A text that any disk takes: Unicode without lone surrogates, and not endless."""
    return text.encode(errors="replace").decode()[:LONGEST_TEXT]
