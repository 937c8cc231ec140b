"""The state of the daemon as one immutable snapshot a second. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import takewhile
from typing import NamedTuple

from moontrim.config.sked import Sked
from moontrim.errorbudget.budget import Budget
from moontrim.formats import signed_short
from moontrim.keying.view import KeyingView
from moontrim.rig.view import LinkView
from moontrim.state.agendaview import AgendaView
from moontrim.timekeeping.clockview import ClockView
from moontrim.tuning.correction import Agreement


class Tracking(StrEnum):
    """Whether the radio is on frequency, and if not, why not."""

    STARTING = "starting"
    ON_FREQUENCY = "on frequency"
    OFF_FREQUENCY = "off frequency"
    HELD_KEYED = "held while transmitting"
    PAUSED = "paused"
    DIAL_IN_USE = "dial in use by hand"
    OTHER_PROGRAM = "another program on the radio"
    OUTSIDE_BAND = "outside the allowed range"
    MOON_TOO_LOW = "Moon too low"
    NO_CONTACT = "no contact with radio"
    RADIO_REJECTS = "radio rejects commands"
    READBACK_MISMATCH = "readback mismatch"
    RADIO_NOT_SUITABLE = "radio not suitable"
    NO_DOPPLER = "Doppler not available"


def trim_text(rx_hz: float, tx_hz: float) -> str:
    """Returns the trims as `trim +50 Hz`, with the dial if they differ; empty if both are 0."""
    if rx_hz == tx_hz == 0.0:
        return ""
    if rx_hz == tx_hz:
        return f"trim {signed_short(rx_hz)} Hz"
    trims = (("receive", rx_hz), ("transmit", tx_hz))
    return "trim " + ", ".join(f"{signed_short(hz)} Hz {name}" for name, hz in trims if hz)


class DialView(NamedTuple):
    """One dial at the instant of the snapshot.

    on_air_hz: the ideal frequency on the air. correction_hz: that minus the sked frequency, without
    the trim (see `session.selection`); rate_hz_per_s: how fast it changes. residual_hz: actual
    minus ideal dial. dial_hz, residual_hz: None while the radio's dial is not known. held: why it
    is not moved, empty if it is."""

    on_air_hz: float
    correction_hz: float
    rate_hz_per_s: float
    ideal_dial_hz: float
    dial_hz: int | None
    residual_hz: float | None
    held: str = ""


class MoonView(NamedTuple):
    """The Moon's direction from home, and its elevation at the partner (None: our own echo);
    elevations are apparent, with refraction."""

    azimuth_deg: float
    elevation_deg: float
    partner_elevation_deg: float | None


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault and when it happened."""

    at_utc_s: float
    text: str


@dataclass(frozen=True, slots=True)
class Change:
    """A change: who made it, what it was, and when."""

    by: str
    what: str
    at_utc_s: float


@dataclass(frozen=True, slots=True)
class WindowView:
    """A time with the Moon up at both ends, its highest elevation at each (None: our own echo), and
    the period in it with the lowest mean spread, limb to limb, on the present band (None: unknown).
    """

    start_utc_s: float
    end_utc_s: float
    max_elevation_home_deg: float
    max_elevation_partner_deg: float | None
    low_spread_start_utc_s: float | None = None
    low_spread_end_utc_s: float | None = None
    low_spread_mean_hz: float | None = None


class Stretch(NamedTuple):
    """A good stretch of a window (see `forecast.good`), with its mean spread, limb to limb."""

    start_utc_s: float
    end_utc_s: float
    mean_spread_hz: float


@dataclass(frozen=True, slots=True)
class Tonight:
    """The course of the present window, or of the next one: values at its start and every step_s
    after that, up to its end, and its good stretches.

    home_deg, partner_deg: apparent elevations; partner_deg is None for our own echo. spread_hz:
    limb to limb. snr_db: expected in 2.5 kHz, of the weaker of the directions that are known; None
    if neither is."""

    start_utc_s: float
    step_s: float
    home_deg: tuple[float, ...]
    partner_deg: tuple[float, ...] | None
    spread_hz: tuple[float, ...]
    snr_db: tuple[float, ...] | None
    good: tuple[Stretch, ...]


@dataclass(frozen=True, slots=True)
class Outlook:
    """The forecast for the present band, partner and agreement.

    moon_sets_utc_s, moon_rises_utc_s: next at home; None beyond the search. windows: the present
    one and the next three. rx_correction_hz, tx_correction_hz: as in DialView, at
    ahead_start_utc_s and every ahead_step_s after it. budgets: the frequency error of the receive
    and of the transmit dial. spread_hz, half_power_spread_hz, snr_db: at at_utc_s, as in `Tonight`;
    None outside the windows. next_good_utc_s: start of the present good stretch or of the next.
    sun_azimuth_deg, sun_elevation_deg: from home, apparent, at the instants of the corrections."""

    at_utc_s: float
    moon_sets_utc_s: float | None
    moon_rises_utc_s: float | None
    windows: tuple[WindowView, ...]
    ahead_start_utc_s: float
    ahead_step_s: float
    rx_correction_hz: tuple[float, ...]
    tx_correction_hz: tuple[float, ...]
    budgets: tuple[Budget, Budget] | None = None
    spread_hz: float | None = None
    half_power_spread_hz: float | None = None
    snr_db: float | None = None
    next_good_utc_s: float | None = None
    tonight: Tonight | None = None
    sun_azimuth_deg: tuple[float, ...] = ()
    sun_elevation_deg: tuple[float, ...] = ()


class Surroundings(NamedTuple):
    """What the tracker passes on unchanged: keying, the clock, and warnings for the operator."""

    keying: KeyingView
    clock: ClockView | None = None
    warnings: tuple[str, ...] = ()


class TransmitView(NamedTuple):
    """Whether one may transmit, for readers of the state.

    interlocks: every reason against it; empty: one may. keying_enabled: whether moontrim keys at
    all. over_left_s: until the longest over ends, while there may be RF of ours; None: else."""

    interlocks: tuple[str, ...] = ()
    keying_enabled: bool = False
    over_left_s: float | None = None


class Snapshot(NamedTuple):
    """Everything that an operator may want to see, all of one instant.

    ticks, missed_seconds: how many seconds the tracker has planned, and how many it has missed.
    faults: the latest ones, the oldest first. front_end: of the band; front_end_confirmed: by the
    operator to be the one connected. tx_sked_hz: the transmit frequency before any correction.
    over_s: duration of an over. sked: name of the chosen one, empty for none. partner_place:
    locator or `lat,lon,height_m`, empty for our own echo. undo_until_utc_s: until when the last
    change can be undone; None: nothing can. skeds: all; made: names of those that the operator
    made; sked_problems: name of a sked and why it cannot be chosen. interlocks, keying_enabled,
    over_left_s: see `TransmitView`. agenda: None: nothing follows one."""

    utc_s: float
    tracking: Tracking
    reason: str
    band: str
    sked_hz: float
    agreement: Agreement
    partner: str
    rx_trim_hz: float
    tx_trim_hz: float
    correcting: bool
    transmitting: bool | None
    moon: MoonView | None
    rx: DialView | None
    tx: DialView | None
    link: LinkView
    ticks: int
    missed_seconds: int
    faults: tuple[Fault, ...]
    last_change: Change | None
    keying: KeyingView
    tx_allowed: bool
    outlook: Outlook | None
    clock: ClockView | None = None
    warnings: tuple[str, ...] = ()
    front_end: str = ""
    front_end_confirmed: bool = True
    tx_sked_hz: float = 0.0
    over_s: float = 60.0
    sked: str = ""
    partner_place: str = ""
    undo_until_utc_s: float | None = None
    skeds: tuple[Sked, ...] = ()
    made: frozenset[str] = frozenset()
    sked_problems: tuple[tuple[str, str], ...] = ()
    interlocks: tuple[str, ...] = ()
    keying_enabled: bool = False
    over_left_s: float | None = None
    agenda: AgendaView | None = None

    @property
    def verdict(self) -> str:
        """The tracking state, with the trims where they put the dials off the correction."""
        trims = trim_text(self.rx_trim_hz, self.tx_trim_hz)
        trimmed = trims and self.tracking in (Tracking.ON_FREQUENCY, Tracking.HELD_KEYED)
        return f"{self.tracking}, {trims}" if trimmed else str(self.tracking)

    @property
    def last_fault(self) -> Fault | None:
        """The latest fault; None: there has been none."""
        return self.faults[-1] if self.faults else None

    def faults_after(self, known: Fault | None) -> tuple[Fault, ...]:
        """Those a reader does not know of, whose latest was this one (None: knows none): several
        may come between two snapshots, or between two that a slow reader sees."""
        return tuple(takewhile(lambda fault: fault is not known, reversed(self.faults)))[::-1]
