"""Forecast: when the Moon is up at both ends, and what may be expected of each of those hours.

`forecast` is pure: an `Ask` in, a frozen `Forecast` out. `coming_windows` is the short form for a
running daemon. Everything that prints, draws or writes takes the finished forecast."""

from __future__ import annotations

from moontrim.forecast.ask import Antenna, Ask, End, Gear, Horizon, Signal
from moontrim.forecast.plan import Forecast, coming_windows, forecast
from moontrim.forecast.window import Stretch, Turn, Window

__all__ = [
    "Antenna",
    "Ask",
    "End",
    "Forecast",
    "Gear",
    "Horizon",
    "Signal",
    "Stretch",
    "Turn",
    "Window",
    "coming_windows",
    "forecast",
]
