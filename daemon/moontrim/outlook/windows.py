"""The coming windows as readers see them: summed up, their values now, and one of them as curves.
Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from moontrim.forecast.good import stretches_of
from moontrim.forecast.spread import SHORTEST_S
from moontrim.forecast.window import LowSpread, Series, Window
from moontrim.path.vectors import Array
from moontrim.state.snapshot import Stretch, Tonight, WindowView

MOST_POINTS = 120  # chosen: of a curve; a phone's screen shows no more, and a message carries them
MINUTE_S = 60.0


def left_of(windows: Sequence[Window], utc_s: float) -> list[Window]:
    """Returns the windows that have not ended."""
    return [window for window in windows if window.end_utc_s > utc_s]


def summed_up(window: Window, utc_s: float) -> WindowView:
    """Returns a window with what is left at an instant of its period of lowest spread."""
    best = _best_left(window, utc_s)
    return WindowView(
        window.start_utc_s,
        window.end_utc_s,
        window.home_max_elevation.elevation_deg,
        None if window.own_echo else window.far_max_elevation.elevation_deg,
        best.start_utc_s if best else None,
        best.end_utc_s if best else None,
        best.mean_hz if best else None,
    )


def _best_left(window: Window, utc_s: float) -> LowSpread | None:
    """Returns the period of low spread with the lowest mean, of the parts that are still to come;
    one too short for a contact only if there is no longer one."""
    parts = [
        _part(window.series, max(period.start_utc_s, utc_s), period)
        for period in window.low_spread
        if period.end_utc_s > utc_s
    ]
    long_enough = [part for part in parts if part.end_utc_s - part.start_utc_s >= SHORTEST_S]
    return min(long_enough or parts, key=lambda part: part.mean_hz, default=None)


def _part(series: Series, start_utc_s: float, period: LowSpread) -> LowSpread:
    """Returns what is left of a period from an instant on."""
    if start_utc_s <= period.start_utc_s:
        return period
    inside = (series.utc_s > start_utc_s) & (series.utc_s <= period.end_utc_s)
    spread_hz = np.append(
        np.interp([start_utc_s, period.end_utc_s], series.utc_s, series.spread_hz),
        series.spread_hz[inside],
    )
    low_hz, high_hz = float(spread_hz.min()), float(spread_hz.max())
    return LowSpread(start_utc_s, period.end_utc_s, float(spread_hz.mean()), low_hz, high_hz)


def values_now(
    windows: Sequence[Window], utc_s: float
) -> tuple[float | None, float | None, float | None]:
    """Returns spread limb to limb, half-power spread and S/N (see `Tonight`) at an instant; None
    where not known, all of them outside the windows."""
    for window in windows:
        if window.start_utc_s <= utc_s <= window.end_utc_s:
            series = window.series

            def now(values: Array, at_utc_s: Array = series.utc_s) -> float:
                return float(np.interp(utc_s, at_utc_s, values))

            snr_db = weaker_snr_db(series)
            return (
                now(series.spread_hz),
                now(series.half_power_hz),
                None if snr_db is None else now(snr_db),
            )
    return None, None, None


def weaker_snr_db(series: Series) -> Array | None:
    """Returns the S/N of the weaker of the directions that are known (N,); None if neither is."""
    known = [end.snr_db for end in (series.home, series.far) if end.snr_db is not None]
    return np.asarray(np.min(known, axis=0)) if known else None


def good_stretches_of(window: Window, max_spread_hz: float | None) -> tuple[Stretch, ...]:
    """Returns the good stretches of a window. max_spread_hz: limit of the band, if it has one."""
    return tuple(
        Stretch(one.period.start_utc_s, one.period.end_utc_s, one.period.mean_hz)
        for one in stretches_of(window, max_spread_hz)
    )


def next_good_utc_s(
    windows: Sequence[Window], max_spread_hz: float | None, utc_s: float
) -> float | None:
    """Returns the start of the good stretch that is under way or comes next."""
    for window in windows:
        for stretch in good_stretches_of(window, max_spread_hz):
            if stretch.end_utc_s > utc_s:
                return stretch.start_utc_s
    return None


def curves(window: Window, max_spread_hz: float | None) -> Tonight:
    """Returns a window as curves."""
    series = window.series
    duration_s = window.end_utc_s - window.start_utc_s
    steps = min(MOST_POINTS - 1, max(1, math.ceil(duration_s / MINUTE_S)))
    at_utc_s = window.start_utc_s + duration_s / steps * np.arange(steps + 1)

    def sampled(values: Array) -> tuple[float, ...]:
        return tuple(np.interp(at_utc_s, series.utc_s, values).tolist())

    snr_db = weaker_snr_db(series)
    return Tonight(
        start_utc_s=window.start_utc_s,
        step_s=duration_s / steps,
        home_deg=sampled(series.home.elevation_deg),
        partner_deg=None if window.own_echo else sampled(series.far.elevation_deg),
        spread_hz=sampled(series.spread_hz),
        snr_db=None if snr_db is None else sampled(snr_db),
        good=good_stretches_of(window, max_spread_hz),
    )
