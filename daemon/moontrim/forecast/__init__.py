"""Forecast: when the Moon is up at both ends, and what may be expected of each of those hours.

`forecast` is pure: an `Ask` in, a frozen `Forecast` out. `coming_windows` is the short form for a
running daemon. Everything that prints, draws or writes takes the finished forecast. What works it
out is imported when it is first asked for: reading a config, which has forecast tables, must not
wait for it."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from moontrim.forecast.question import Antenna, Ask, End, Gear, Horizon, Signal

if TYPE_CHECKING:
    from moontrim.forecast.compute import Forecast, coming_windows, forecast
    from moontrim.forecast.window import Stretch, Turn, Window
else:
    _MODULES = {
        **dict.fromkeys(("Forecast", "coming_windows", "forecast"), "compute"),
        **dict.fromkeys(("Stretch", "Turn", "Window"), "window"),
    }

    def __getattr__(name: str) -> Any:
        if name not in _MODULES:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        return getattr(import_module(f"{__name__}.{_MODULES[name]}"), name)


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
