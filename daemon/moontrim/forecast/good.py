"""Good stretches: parts of windows below the limit of spread and, if known, above that of the
signal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from moontrim.forecast.compute import Forecast
from moontrim.forecast.question import ForecastQuestion
from moontrim.forecast.spread import (
    LOW_SHARE,
    SHORTEST_S,
    low_spread_limit_hz,
    low_spread_periods,
)
from moontrim.forecast.tonight import RankedPeriod
from moontrim.forecast.window import Window
from moontrim.formats import short


@dataclass(frozen=True, slots=True)
class GoodStretch(RankedPeriod):
    """A stretch of at least ten minutes within both limits.

    limit_hz: the limit of spread for its window.
    home_max_deg, far_max_deg: the Moon's maximum elevation within it.
    window_utc_s: identifies its window.
    number: of the window's stretches in order of time, from 1."""

    frequency_hz: float
    limit_hz: float
    home_max_deg: float
    far_max_deg: float
    window_utc_s: float
    number: int


def good_stretches(forecast: Forecast) -> list[GoodStretch]:
    """Returns the good stretches of all windows in order of time."""
    return [
        stretch
        for window in forecast.windows
        for stretch in stretches_of(window, forecast.question.max_spread_hz)
    ]


def stretches_of(window: Window, max_spread_hz: float | None) -> list[GoodStretch]:
    """Returns the good stretches of a window in order of time. max_spread_hz: as in the
    question."""
    s = window.series
    limit_hz = low_spread_limit_hz(s.spread_hz, max_spread_hz)
    periods = low_spread_periods(s.utc_s, s.spread_hz, limit_hz, s.margin_db)
    stretches: list[GoodStretch] = []
    for period in sorted(periods, key=lambda period: period.start_utc_s):
        if period.end_utc_s - period.start_utc_s < SHORTEST_S:
            continue
        inside = (s.utc_s >= period.start_utc_s) & (s.utc_s <= period.end_utc_s)
        home_max_deg, far_max_deg = (
            float(np.max(end.elevation_deg[inside])) for end in (s.home, s.far)
        )
        stretches.append(
            GoodStretch(
                window.partner,
                period,
                s.mean_margin_db(period),
                window.frequency_hz,
                limit_hz,
                home_max_deg,
                far_max_deg,
                window.identifying_utc_s,
                len(stretches) + 1,
            )
        )
    return stretches


def limits_of(question: ForecastQuestion) -> list[str]:
    """Returns the limits of a good stretch, a phrase for each."""
    spread = (
        f"the lowest {LOW_SHARE:.0f} % of each window's spread (no limit of spread given)"
        if question.max_spread_hz is None
        else f"spread at most {short(question.max_spread_hz)} Hz limb to limb"
    )
    threshold_db = question.signal.threshold_db
    signal = (
        "no limit of signal given"
        if threshold_db is None
        else f"S/N less the spread loss, where known, at least {threshold_db:+.1f} dB in 2.5 kHz"
    )
    return [spread, signal, f"at least {SHORTEST_S / 60.0:.0f} minutes"]
