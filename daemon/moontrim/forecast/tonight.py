"""The ranking of several partners for the next 24 hours, the most promising first."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeVar

from moontrim.forecast.compute import Forecast
from moontrim.forecast.window import LowSpread

DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class RankedPeriod:
    """A period of low spread with a partner.

    margin_db: average margin of the weaker direction over the threshold; None if not known."""

    partner: str
    period: LowSpread
    margin_db: float | None


Period = TypeVar("Period", bound=RankedPeriod)


def periods_of_a_day(forecast: Forecast) -> list[RankedPeriod]:
    """Returns the partner's low-spread periods that begin within the first 24 hours of the span."""
    until_utc_s = forecast.from_utc_s + DAY_S
    return [
        RankedPeriod(window.partner, period, window.series.mean_margin_db(period))
        for window in forecast.windows
        for period in window.low_spread
        if period.start_utc_s < until_utc_s
    ]


def ranked(periods: Iterable[Period]) -> list[Period]:
    """Returns periods, the most promising first: by margin, or, if it is not known for all, by mean
    spread."""
    choices = list(periods)
    known = all(choice.margin_db is not None for choice in choices)

    def promise(choice: Period) -> float:
        if known and choice.margin_db is not None:
            return choice.margin_db
        return -choice.period.mean_hz

    return sorted(choices, key=promise, reverse=True)


def first_of_each(periods: Iterable[RankedPeriod]) -> list[RankedPeriod]:
    """Returns the most promising period of each partner, the most promising first."""
    firsts: dict[str, RankedPeriod] = {}
    for choice in ranked(periods):
        firsts.setdefault(choice.partner, choice)
    return list(firsts.values())
