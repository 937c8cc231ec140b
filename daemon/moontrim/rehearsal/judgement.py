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
the first CATCH_UP_S after a press or release do not count.

Our own echo is held against what the radio sent (`idealdials`): there the receive dial also has to
follow what a press, a release or a step of the transmit dial does to the echo, a delay later."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from moontrim.config.settings import Settings
from moontrim.path import Ephemeris
from moontrim.path.vectors import Array
from moontrim.rehearsal.dialrecord import DialRecord
from moontrim.rehearsal.idealdials import IdealDials
from moontrim.session.selection import selection_of
from moontrim.session.session import Session
from moontrim.state.snapshot import Fault
from moontrim.tuning.band import Band

SAMPLE_S = 0.1  # chosen: meanwhile an ideal dial moves by less than 0.1 Hz at 10 GHz
# In dial steps. Chosen: little more than what perfect steps have (0.289 and 0.5), for the delay
# with which a radio takes each step.
RMS_LIMIT, LARGEST_LIMIT = 0.32, 0.6


@dataclass(frozen=True)
class DialResult:
    """One dial over the pass, in arrays of ten samples a second. max_hz: also of both sides of
    every step. correction_hz: as in `state.snapshot.DialView`. residual_hz: NaN while the dial is
    not compared (see the module's docstring)."""

    name: str
    steps: int
    rms_hz: float
    max_hz: float
    utc_s: Array
    correction_hz: Array
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
                d.rms_hz <= RMS_LIMIT * step_hz and d.max_hz <= LARGEST_LIMIT * step_hz
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
                d.name: {"steps": d.steps, "rms_hz": d.rms_hz, "max_hz": d.max_hz}
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
    now = selection_of(session, settings)
    ideal = IdealDials(ephemeris, settings, session, record, start_utc_s, end_utc_s)
    split = record.split
    stepping = band.while_transmitting == "step"
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
            on_air_hz = ideal.receive(at_s) if name == "receive" else ideal.transmit(at_s)
            dial_hz = stood_hz[np.searchsorted(moved_utc_s, at_s, side="right") - 1]
            residual_hz = dial_hz - converted.dial_hz(on_air_hz)
            if not (split and stepping):
                counts = record.settled(at_s, keyed=not split and name == "transmit")
                residual_hz = np.where(counts, residual_hz, np.nan)
            if name == "receive":
                residual_hz = np.where(ideal.echo_is_settled(at_s), residual_hz, np.nan)
            return on_air_hz, dial_hz, residual_hz

        on_air_hz, dial_hz, residual_hz = compare(utc_s)
        if not np.isfinite(residual_hz).any():
            continue  # one dial for both, and the radio was never keyed
        near_hz = np.concatenate([residual_hz, compare(beside_s)[2]])
        if name == "receive":
            jumping = ideal.echo_has_jumped(np.concatenate([utc_s, beside_s]))
            near_hz = np.where(jumping, np.nan, near_hz)
        max_hz = np.nanmax(np.abs(near_hz))
        dials.append(
            DialResult(
                name=name,
                steps=int(np.count_nonzero(np.diff(stood_hz))),
                rms_hz=float(np.sqrt(np.nanmean(residual_hz**2))),
                max_hz=float(max_hz),
                utc_s=utc_s,
                correction_hz=on_air_hz - now.uncorrected_hz[name == "transmit"],
                dial_hz=dial_hz if split else np.where(np.isfinite(residual_hz), dial_hz, np.nan),
                residual_hz=residual_hz,
            )
        )
    return Result(
        start_utc_s=start_utc_s,
        end_utc_s=end_utc_s,
        agreement=session.agreement,
        band=band.name,
        sked_hz=now.choices.sked_hz,
        split=split,
        ticks=ticks,
        missed_seconds=missed_seconds,
        faults=faults,
        dials=tuple(dials),
        resolution_hz=band.dial_resolution_hz,
    )
