"""Forecast: when the Moon is up at both ends, and what may be expected of each of those hours.

`forecast` is pure: a `ForecastQuestion` in, a frozen `Forecast` out. `coming_windows` is the short
form for a running daemon. Everything that prints, draws or writes takes the finished forecast. The
names below are imported when they are first used: reading a config, which has forecast tables, must
not wait for them."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from moontrim.forecast.question import Antenna, End, ForecastQuestion, Gear, Horizon, Signal

if TYPE_CHECKING:
    from moontrim.forecast.compute import Forecast, coming_windows, forecast
    from moontrim.forecast.window import LowSpread, SpreadExtreme, Window
else:
    _MODULES = {
        **dict.fromkeys(("Forecast", "coming_windows", "forecast"), "compute"),
        **dict.fromkeys(("LowSpread", "SpreadExtreme", "Window"), "window"),
    }

    def __getattr__(name: str) -> Any:
        if name not in _MODULES:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        return getattr(import_module(f"{__name__}.{_MODULES[name]}"), name)


__all__ = [
    "Antenna",
    "End",
    "Forecast",
    "ForecastQuestion",
    "Gear",
    "Horizon",
    "LowSpread",
    "Signal",
    "SpreadExtreme",
    "Window",
    "coming_windows",
    "forecast",
]
