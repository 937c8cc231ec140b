"""What a radio did, compared with what the exact path says it should have done. Pure.

The record is taken at the radio's side (the instant each dial really moved); the judge is the exact
path solution, not the tracker's own numbers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from moontrim.config.settings import Settings
from moontrim.path import Ephemeris, LegName, Site, solve_path
from moontrim.path.vectors import Array
from moontrim.session.session import BandSession, Session
from moontrim.state.snapshot import Fault
from moontrim.tuning.band import Band
from moontrim.tuning.correction import Agreement, fractions_of, on_air

SAMPLE_S = 0.1
CATCH_UP_S = 1.5  # after a press or release: until the radio is seen to have turned, and set


@dataclass
class DialRecord:
    """What the radio did: instants (UTC seconds) and dials, one entry per change. A tx of 0
    means none."""

    utc_s: list[float] = field(default_factory=list)
    rx_hz: list[int] = field(default_factory=list)
    tx_hz: list[int] = field(default_factory=list)
    keyed: list[bool] = field(default_factory=list)

    def add(self, utc_s: float, rx_hz: int, tx_hz: int | None, keyed: bool) -> None:
        self.utc_s.append(utc_s)
        self.rx_hz.append(rx_hz)
        self.tx_hz.append(tx_hz or 0)
        self.keyed.append(keyed)


@dataclass(frozen=True)
class DialResult:
    """One dial over the pass, in samples ten a second. largest_hz also looks at both sides of every
    step, where the extremes are. Residuals are NaN where the dial was left alone on purpose, or one
    dial for both was on the other's business."""

    name: str
    steps: int
    rms_hz: float
    largest_hz: float
    utc_s: Array
    shift_hz: Array
    dial_hz: Array
    residual_hz: Array


@dataclass(frozen=True)
class Result:
    start_utc_s: float
    end_utc_s: float
    agreement: str
    band: str
    sked_hz: float
    split: bool
    ticks: int
    missed_seconds: int
    faults: tuple[Fault, ...]
    dials: tuple[DialResult, ...]
    resolution_hz: int

    @property
    def passed(self) -> bool:
        """No second missed, nothing wrong, residuals within a 1 Hz dial's limits plus a fifth of a
        step for the radio's own delay."""
        step_hz = self.resolution_hz
        return (
            self.missed_seconds == 0
            and not self.faults
            and bool(self.dials)
            and all(
                d.rms_hz <= 0.32 * step_hz and d.largest_hz <= 0.6 * step_hz for d in self.dials
            )
        )

    def as_json(self) -> dict[str, Any]:
        return {
            "start_utc_s": self.start_utc_s,
            "end_utc_s": self.end_utc_s,
            "band": self.band,
            "sked_hz": self.sked_hz,
            "agreement": self.agreement,
            "split": self.split,
            "ticks": self.ticks,
            "missed_seconds": self.missed_seconds,
            "faults": [fault.text for fault in self.faults],
            "dials": {
                d.name: {"steps": d.steps, "rms_hz": d.rms_hz, "largest_hz": d.largest_hz}
                for d in self.dials
            },
            "passed": self.passed,
        }


def judge(
    settings: Settings,
    ephemeris: Ephemeris,
    session: Session,
    record: DialRecord,
    start_utc_s: float,
    end_utc_s: float,
    *,
    ticks: int,
    missed_seconds: int,
    faults: tuple[Fault, ...],
) -> Result:
    """Compare a record with the exact path between two instants, through which the session was the
    same. No dials in the result when there is nothing to judge: correction paused, or no time."""
    band = settings.band(session.band)
    here, tx_sked_hz = session.here(settings), session.tx_sked_hz(settings)
    ideal = _IdealDials(
        ephemeris,
        settings.home.site(),
        session.partner_site(settings),
        settings.troposphere,
        start_utc_s,
        end_utc_s + band.over_s,
    )
    split = any(record.tx_hz)
    stepping = band.while_transmitting == "step"
    lead_s = band.over_s / 2 if band.while_transmitting == "mid_over" else 0.0
    moved_utc_s = np.array(record.utc_s)
    inside = (moved_utc_s > start_utc_s) & (moved_utc_s < end_utc_s)
    beside_s = np.concatenate([moved_utc_s[inside] - 1e-6, moved_utc_s[inside] + 1e-6])
    utc_s = np.arange(start_utc_s, end_utc_s, SAMPLE_S)
    dials = []
    names: tuple[str, ...] = ("receive", "transmit") if split or stepping else ("receive",)
    if not session.correcting or end_utc_s - start_utc_s < SAMPLE_S:
        names = ()
    for name in names:
        stood_hz = np.array(record.tx_hz if split and name == "transmit" else record.rx_hz, float)
        converted = band.band() if name == "receive" else band.tx_band()

        def compare(
            at_s: Array,
            name: str = name,
            stood_hz: Array = stood_hz,
            converted: Band = converted,
        ) -> tuple[Array, Array, Array]:
            ahead_s = lead_s if name == "transmit" else 0.0
            on_air_hz = ideal.at(at_s + ahead_s, session.agreement, here, tx_sked_hz, name)
            dial_hz = stood_hz[np.searchsorted(moved_utc_s, at_s, side="right") - 1]
            residual_hz = dial_hz - converted.dial_hz(on_air_hz)
            if not (split and stepping):
                counts = _settled(record, at_s, keyed=not split and name == "transmit")
                residual_hz = np.where(counts, residual_hz, np.nan)
            return on_air_hz, dial_hz, residual_hz

        on_air_hz, dial_hz, residual_hz = compare(utc_s)
        if not np.isfinite(residual_hz).any():
            continue  # a single dial, and nobody transmitted
        largest_hz = np.nanmax(np.abs(np.concatenate([residual_hz, compare(beside_s)[2]])))
        dials.append(
            DialResult(
                name=name,
                steps=int(np.count_nonzero(np.diff(stood_hz))),
                rms_hz=float(np.sqrt(np.nanmean(residual_hz**2))),
                largest_hz=float(largest_hz),
                utc_s=utc_s,
                shift_hz=on_air_hz - (here.sked_hz if name == "receive" else tx_sked_hz),
                dial_hz=dial_hz if split else np.where(np.isfinite(residual_hz), dial_hz, np.nan),
                residual_hz=residual_hz,
            )
        )
    return Result(
        start_utc_s=start_utc_s,
        end_utc_s=end_utc_s,
        agreement=session.agreement,
        band=band.name,
        sked_hz=here.sked_hz,
        split=split,
        ticks=ticks,
        missed_seconds=missed_seconds,
        faults=faults,
        dials=tuple(dials),
        resolution_hz=band.dial_resolution_hz,
    )


def _settled(record: DialRecord, at_s: Array, *, keyed: bool) -> NDArray[np.bool_]:
    """Where the radio transmits (keyed) or receives, and has done so for CATCH_UP_S: a dial is left
    alone on purpose while keyed, or one dial serves both and has to jump."""
    state = np.array(record.keyed)
    moved_utc_s = np.array(record.utc_s)
    turned = np.concatenate([[True], state[1:] != state[:-1]])
    since_utc_s = np.maximum.accumulate(np.where(turned, moved_utc_s, -np.inf))
    index = np.searchsorted(moved_utc_s, at_s, side="right") - 1
    return np.asarray((state[index] == keyed) & (at_s - since_utc_s[index] >= CATCH_UP_S))


class _IdealDials:
    """Exact fractions every ten seconds, joined by cubics through value and slope: over ten seconds
    the joint is off by less than 1e-6 Hz at 24 GHz."""

    SPACING_S = 10.0

    def __init__(
        self,
        ephemeris: Ephemeris,
        home: Site,
        partner: Site | None,
        troposphere: bool,
        start_utc_s: float,
        end_utc_s: float,
    ) -> None:
        self._knots_s = np.arange(
            start_utc_s - 1.0, end_utc_s + self.SPACING_S + 1.0, self.SPACING_S
        )
        self._path = solve_path(ephemeris, home, partner, self._knots_s, troposphere)

    def at(
        self,
        utc_s: Array,
        agreement: Agreement,
        here: BandSession,
        tx_sked_hz: float,
        which: str,
    ) -> Array:
        """Ideal on-air frequencies of one dial."""
        fractions = fractions_of(lambda leg: self._fraction(leg, utc_s))
        trims_hz = here.trim_rx_hz, here.trim_tx_hz
        both = on_air(agreement, here.sked_hz, fractions, *trims_hz, tx_sked_hz)
        on_air_hz = both.rx_hz if which == "receive" else both.tx_hz
        return np.broadcast_to(np.asarray(on_air_hz), utc_s.shape)

    def _fraction(self, leg: LegName, utc_s: Array) -> Array:
        value = self._path.legs[leg].fraction
        slope = self._path.legs[leg].fraction_rate_per_s
        index = np.clip(
            ((utc_s - self._knots_s[0]) / self.SPACING_S).astype(int), 0, self._knots_s.size - 2
        )
        h = self.SPACING_S
        u = (utc_s - self._knots_s[index]) / h
        a, b = value[index], value[index + 1]
        p, q = slope[index] * h, slope[index + 1] * h
        return np.asarray(a + u * (p + u * (3 * (b - a) - 2 * p - q + u * (2 * (a - b) + p + q))))
