"""The judgement of a rehearsal: the dials of the radio, compared with the exact path. Pure.

The record is taken at the radio's side (the instant at which each dial really moved), and compared
with the exact path solution, not with the numbers that the tracker works with. The residual, dial
minus ideal dial, is sampled ten times a second, and just before and after every step, where it is
largest:

    residual  +0.5 |   /|   /|   /|      the ideal dial moves steadily, the dial in whole steps
                 0 |  / |  / |  / |
              -0.5 | /  |/   |/   |      RMS of perfect steps: step / sqrt(12) = 0.289 steps

With two dials (split) that also step while keyed, every instant counts. With two that are left
alone while keyed, both count while receiving. One dial for both counts as the receive dial while
receiving and, if it steps while keyed, as the transmit dial while keyed. Wherever keying matters,
the first CATCH_UP_S after a press or release do not count."""

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

SAMPLE_S = 0.1  # chosen: meanwhile an ideal dial moves by less than 0.1 Hz at 10 GHz
# Chosen: allowed after a press or release, until the daemon has noticed it and set the dial.
CATCH_UP_S = 1.5
# In dial steps. Chosen: little more than what perfect steps have (0.289 and 0.5), for the delay
# with which a radio takes each step.
RMS_LIMIT, LARGEST_LIMIT = 0.32, 0.6


@dataclass
class DialRecord:
    """The dials of a radio over time, one entry for each change, which holds from utc_s (UTC
    seconds) on. tx_hz: 0 without split."""

    utc_s: list[float] = field(default_factory=list)
    rx_hz: list[int] = field(default_factory=list)
    tx_hz: list[int] = field(default_factory=list)
    keyed: list[bool] = field(default_factory=list)

    def add(self, utc_s: float, rx_hz: int, tx_hz: int | None, keyed: bool) -> None:
        """Adds a change."""
        self.utc_s.append(utc_s)
        self.rx_hz.append(rx_hz)
        self.tx_hz.append(tx_hz or 0)
        self.keyed.append(keyed)


@dataclass(frozen=True)
class DialResult:
    """One dial over the pass, in arrays of ten samples a second. largest_hz: also of both sides of
    every step. residual_hz: NaN while the dial is not compared (see the module's docstring)."""

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
    """The result of a rehearsal. dials: empty if there was nothing to judge."""

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
        """Was every second planned without a fault, and every dial (one at least) within limits?"""
        step_hz = self.resolution_hz
        return (
            self.missed_seconds == 0
            and not self.faults
            and bool(self.dials)
            and all(
                d.rms_hz <= RMS_LIMIT * step_hz and d.largest_hz <= LARGEST_LIMIT * step_hz
                for d in self.dials
            )
        )

    def as_json(self) -> dict[str, Any]:
        """Returns plain data for JSON, without the arrays."""
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
    """Compares a record with the exact path between two instants, between which the session did not
    change. The result has no dials if there is nothing to judge: correction paused, no time, or no
    record."""
    band = settings.band(session.band)
    choices, tx_sked_hz = session.band_choices(settings), session.tx_sked_hz(settings)
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
    if not session.correcting or end_utc_s - start_utc_s < SAMPLE_S or not record.utc_s:
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
            on_air_hz = ideal.at(at_s + ahead_s, session.agreement, choices, tx_sked_hz, name)
            dial_hz = stood_hz[np.searchsorted(moved_utc_s, at_s, side="right") - 1]
            residual_hz = dial_hz - converted.dial_hz(on_air_hz)
            if not (split and stepping):
                counts = _settled(record, at_s, keyed=not split and name == "transmit")
                residual_hz = np.where(counts, residual_hz, np.nan)
            return on_air_hz, dial_hz, residual_hz

        on_air_hz, dial_hz, residual_hz = compare(utc_s)
        if not np.isfinite(residual_hz).any():
            continue  # one dial for both, and the radio was never keyed
        largest_hz = np.nanmax(np.abs(np.concatenate([residual_hz, compare(beside_s)[2]])))
        dials.append(
            DialResult(
                name=name,
                steps=int(np.count_nonzero(np.diff(stood_hz))),
                rms_hz=float(np.sqrt(np.nanmean(residual_hz**2))),
                largest_hz=float(largest_hz),
                utc_s=utc_s,
                shift_hz=on_air_hz - (choices.sked_hz if name == "receive" else tx_sked_hz),
                dial_hz=dial_hz if split else np.where(np.isfinite(residual_hz), dial_hz, np.nan),
                residual_hz=residual_hz,
            )
        )
    return Result(
        start_utc_s=start_utc_s,
        end_utc_s=end_utc_s,
        agreement=session.agreement,
        band=band.name,
        sked_hz=choices.sked_hz,
        split=split,
        ticks=ticks,
        missed_seconds=missed_seconds,
        faults=faults,
        dials=tuple(dials),
        resolution_hz=band.dial_resolution_hz,
    )


def _settled(record: DialRecord, at_s: Array, *, keyed: bool) -> NDArray[np.bool_]:
    """Returns at which instants the radio has transmitted (keyed) or received for CATCH_UP_S."""
    state = np.array(record.keyed)
    moved_utc_s = np.array(record.utc_s)
    turned = np.concatenate([[True], state[1:] != state[:-1]])
    since_utc_s = np.maximum.accumulate(np.where(turned, moved_utc_s, -np.inf))
    index = np.searchsorted(moved_utc_s, at_s, side="right") - 1
    return np.asarray((state[index] == keyed) & (at_s - since_utc_s[index] >= CATCH_UP_S))


class _IdealDials:
    """The ideal frequencies of the dials: the exact path every ten seconds, with cubics through
    value and slope between, which are off by less than 1e-6 Hz at 24 GHz."""

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
        choices: BandSession,
        tx_sked_hz: float,
        which: str,
    ) -> Array:
        """Returns the ideal on-air frequencies of one dial, `receive` or `transmit`."""
        fractions = fractions_of(lambda leg: self._fraction(leg, utc_s))
        trims_hz = choices.trim_rx_hz, choices.trim_tx_hz
        both = on_air(agreement, choices.sked_hz, fractions, *trims_hz, tx_sked_hz)
        on_air_hz = both.rx_hz if which == "receive" else both.tx_hz
        return np.broadcast_to(np.asarray(on_air_hz), utc_s.shape)

    def _fraction(self, leg: LegName, utc_s: Array) -> Array:
        """Returns the Doppler fractions of one leg, by Hermite's interpolation."""
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
