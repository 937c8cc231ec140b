"""The whole daemon on a simulated radio and its own clock, through one window, judged by an exact
record.

The record comes from the radio's side (the instant each dial really moved) and is judged against
the exact path solution, not against the tracker's own numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from moontrim.app import Companion, Daemon
from moontrim.clock import VirtualClock
from moontrim.correction import Agreement, Fractions, on_air
from moontrim.path import Ephemeris, LegName, Site, solve_path
from moontrim.session import Session
from moontrim.settings import Settings, settings_from
from moontrim.state import Fault
from moontrim_drivers.simulated import SimulatedDriver, SimulatedOptions

Array = NDArray[np.float64]

REAL_DURATION_S = 60.0  # how long a whole window takes to watch
SAMPLE_S = 0.1
CATCH_UP_S = 1.5  # after a release: until the radio is seen to receive, and set
OVER_S, KEYED_S = 60.0, 51.0  # a usual digital-mode rhythm (common practice)

# A scenario of our own: a portable 10 GHz station on Madeira and a partner in southern Finland.
EMBEDDED: dict[str, Any] = {
    "home": {"locator": "IM12MR55MM", "height_m": 1400.0},
    "partner": {"locator": "KP20NF11AA", "height_m": 60.0},
    "bands": [
        {
            "name": "10 GHz",
            "sked_hz": 10_368_100_000,
            "allowed_low_hz": 10_368_000_000,
            "allowed_high_hz": 10_370_000_000,
            "transverter_offset_hz": 10_224_000_000,
            "while_transmitting": "step",
        }
    ],
    "radio": {"driver": "simulated", "options": {"retunes_while_transmitting": True}},
}


def embedded_settings() -> Settings:
    """What `rehearse` runs on when it is given no config."""
    return settings_from(EMBEDDED, "embedded scenario")


@dataclass
class Record:
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
    step, where the extremes are. Residuals are NaN where the dial was left alone on purpose."""

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


def rehearse(
    settings: Settings,
    ephemeris: Ephemeris,
    start_utc_s: float,
    end_utc_s: float,
    *,
    pace: float,
    companions: tuple[Companion, ...] = (),
    overs: bool = True,
) -> Result:
    """Run the daemon from start to end at `pace` virtual seconds per second and judge what its
    radio did.

    overs: a simulated operator keys the radio in every other minute (split operation only: a single
    dial would have to jump at the very moment of keying)."""
    clock = VirtualClock(start_utc_s, pace)
    return clock.run(_rehearse(settings, ephemeris, clock, end_utc_s, companions, overs))


async def _rehearse(
    settings: Settings,
    ephemeris: Ephemeris,
    clock: VirtualClock,
    end_utc_s: float,
    companions: tuple[Companion, ...],
    overs: bool,
) -> Result:
    options = SimulatedOptions.model_validate(settings.radio.options)
    driver = SimulatedDriver(options, clock)
    record = Record()

    def changed(monotonic_s: float, rx_hz: int, tx_hz: int | None, transmitting: bool) -> None:
        record.add(clock.utc_s() - clock.monotonic_s() + monotonic_s, rx_hz, tx_hz, transmitting)

    driver.radio.on_change = changed
    # Where it stands before anything moves; a dial that is right from the start never moves at all.
    changed(clock.monotonic_s(), driver.radio.rx_dial_hz, driver.radio.tx_dial_hz, False)
    daemon = Daemon(settings, clock, ephemeris, driver, seed=1)
    daemon.stop_on_signals()
    begun_utc_s = clock.utc_s()

    async def until_the_end(daemon: Daemon) -> None:
        await clock.sleep_until_utc(end_utc_s)
        daemon.stop.set()

    async def operator(daemon: Daemon) -> None:
        while True:
            next_over_s = math.floor(clock.utc_s() / (2 * OVER_S) + 1) * 2 * OVER_S
            await clock.sleep_until_utc(next_over_s)
            driver.radio.key(True)
            try:
                await clock.sleep(KEYED_S)
            finally:
                driver.radio.key(False)

    split = driver.capabilities.split
    extra = (until_the_end, operator) if overs and split else (until_the_end,)
    await daemon.run(*companions, *extra)
    session = daemon.tracker.session
    ended_utc_s = min(end_utc_s, daemon.hub.latest.utc_s if daemon.hub.latest else begun_utc_s)
    return judge(
        settings,
        ephemeris,
        session,
        record,
        begun_utc_s + 1.0,
        ended_utc_s,
        daemon=daemon,
    )


def judge(
    settings: Settings,
    ephemeris: Ephemeris,
    session: Session,
    record: Record,
    start_utc_s: float,
    end_utc_s: float,
    *,
    daemon: Daemon,
) -> Result:
    """Compare a record with the exact path between two instants. The session must not have
    changed."""
    band = settings.band(session.band)
    here = session.here(settings)
    ideal = _IdealDials(
        ephemeris,
        settings.home.site(),
        session.partner_site(settings),
        settings.troposphere,
        start_utc_s,
        end_utc_s + band.over_s,
    )
    split = any(record.tx_hz)
    keyed = np.array(record.keyed)
    utc_s = np.arange(start_utc_s, end_utc_s, SAMPLE_S)
    moved_utc_s = np.array(record.utc_s)
    edges_s = moved_utc_s[(moved_utc_s > start_utc_s) & (moved_utc_s < end_utc_s)]
    beside_s = np.sort(np.concatenate([edges_s - 1e-6, edges_s + 1e-6]))
    lead_s = band.over_s / 2 if band.while_transmitting == "mid_over" else 0.0
    dials = []
    for name, values in (("receive", record.rx_hz), ("transmit", record.tx_hz))[: 1 + split]:
        stood_hz = np.array(values, dtype=float)
        ahead_s = lead_s if name == "transmit" else 0.0

        def compare(
            at_s: Array, name: str = name, stood_hz: Array = stood_hz, ahead_s: float = ahead_s
        ) -> tuple[Array, Array, Array]:
            on_air_hz = ideal.at(at_s + ahead_s, session.agreement, here.sked_hz, name)
            index = np.searchsorted(moved_utc_s, at_s, side="right") - 1
            dial_hz = stood_hz[index]
            residual_hz = dial_hz - band.band().dial_hz(on_air_hz)  # type: ignore[arg-type]
            if band.while_transmitting != "step":
                # Left alone while keyed on purpose, and then given time to catch up.
                idle = ~(keyed[index] | _recently_keyed(record, at_s))
                residual_hz = np.where(idle, residual_hz, np.nan)
            return on_air_hz, dial_hz, residual_hz

        on_air_hz, dial_hz, residual_hz = compare(utc_s)
        largest_hz = np.nanmax(np.abs(np.concatenate([residual_hz, compare(beside_s)[2]])))
        dials.append(
            DialResult(
                name=name,
                steps=int(np.count_nonzero(np.diff(stood_hz))),
                rms_hz=float(np.sqrt(np.nanmean(residual_hz**2))),
                largest_hz=float(largest_hz),
                utc_s=utc_s,
                shift_hz=on_air_hz - here.sked_hz,
                dial_hz=dial_hz,
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
        ticks=daemon.tracker.ticks,
        missed_seconds=daemon.tracker.missed_seconds,
        faults=tuple(daemon.tracker.faults),
        dials=tuple(dials),
        resolution_hz=band.dial_resolution_hz,
    )


def _recently_keyed(record: Record, at_s: Array) -> NDArray[np.bool_]:
    """Was the radio released less than CATCH_UP_S before these instants?"""
    keyed = np.array(record.keyed)
    released = np.flatnonzero(keyed[:-1] & ~keyed[1:]) + 1
    if not released.size:
        return np.zeros(at_s.shape, dtype=bool)
    released_s = np.array(record.utc_s)[released]
    index = np.searchsorted(released_s, at_s, side="right") - 1
    return np.asarray((index >= 0) & (at_s - released_s[index] < CATCH_UP_S))


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

    def at(self, utc_s: Array, agreement: Agreement, sked_hz: float, which: str) -> Array:
        """Ideal on-air frequencies of one dial."""
        fractions = Fractions(  # arrays in place of floats: the arithmetic is the same
            up=self._fraction("to_moon", utc_s),  # type: ignore[arg-type]
            down=self._fraction("from_moon", utc_s),  # type: ignore[arg-type]
            received=self._fraction("from_partner", utc_s),  # type: ignore[arg-type]
            sent=self._fraction("to_partner", utc_s),  # type: ignore[arg-type]
        )
        both = on_air(agreement, sked_hz, fractions)
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


def real_time_pace(start_utc_s: float, end_utc_s: float) -> float:
    """The pace at which the window lasts REAL_DURATION_S."""
    return max(1.0, (end_utc_s - start_utc_s) / REAL_DURATION_S)
