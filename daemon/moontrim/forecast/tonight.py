"""The ranking of several partners for the next 24 hours, the most promising first."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from moontrim.forecast.compute import Forecast
from moontrim.forecast.window import LowSpread, Window

DAY_S = 86400.0


@dataclass(frozen=True)
class RankedPartner:
    """A partner's best low-spread period within the day.

    margin_db: average margin of the weaker direction over the threshold; None if not known."""

    partner: str
    window: Window
    period: LowSpread
    margin_db: float | None


def tonight(forecasts: Iterable[Forecast]) -> list[RankedPartner]:
    """Returns each partner's best low-spread period within the first 24 hours of the span, the most
    promising first: by margin, or, if it is not known for all, by mean spread. Partners without a
    window that day are left out."""
    choices = []
    for forecast in forecasts:
        until_utc_s = forecast.from_utc_s + DAY_S
        choices.append(
            [
                RankedPartner(window.partner, window, period, _margin_db(window, period))
                for window in forecast.windows
                for period in window.low_spread
                if period.start_utc_s < until_utc_s
            ]
        )
    choices = [group for group in choices if group]
    known = all(choice.margin_db is not None for group in choices for choice in group)

    def promise(choice: RankedPartner) -> float:
        if known and choice.margin_db is not None:
            return choice.margin_db
        return -choice.period.mean_hz

    firsts = [max(group, key=promise) for group in choices]
    return sorted(firsts, key=promise, reverse=True)


def _margin_db(window: Window, period: LowSpread) -> float | None:
    series = window.series
    if series.margin_db is None:
        return None
    inside = (series.utc_s >= period.start_utc_s) & (series.utc_s <= period.end_utc_s)
    return float(np.mean(series.margin_db[inside])) if inside.any() else None
