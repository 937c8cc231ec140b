"""The panels of a window's page and of a month's page, one quantity each.

Lines differ by dash pattern and darkness, so that they can be told apart in a grey print."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from moontrim.forecast.compute import Forecast
from moontrim.forecast.window import EndSeries, LowSpread, Series, Window
from moontrim.formats import short, typeset
from moontrim.path.vectors import Array

HOME: dict[str, Any] = {"color": "#16325c", "linestyle": "-", "linewidth": 1.4}
FAR: dict[str, Any] = {"color": "#d1701c", "linestyle": (0, (5, 2)), "linewidth": 1.4}
MAIN: dict[str, Any] = {"color": "#16325c", "linestyle": "-", "linewidth": 1.6}
SECOND: dict[str, Any] = {"color": "#7a7a7a", "linestyle": (0, (1.5, 1.5)), "linewidth": 1.4}
LOW_SPREAD: dict[str, Any] = {"color": "#bfbfbf", "alpha": 0.55, "linewidth": 0.0}


def kinds_of(forecast: Forecast) -> list[str]:
    """Returns the names of the panels for which there is data."""
    kinds = ["elevation", "spread", "loss", "noise"]
    series = [window.series for window in forecast.windows]
    if any(s.home.snr_db is not None or s.far.snr_db is not None for s in series):
        kinds.append("signal")
    return kinds


def fill(
    axes: Axes,
    kind: str,
    forecast: Forecast,
    windows: Sequence[Window],
    low_spread: Sequence[LowSpread],
) -> None:
    """Draws one quantity over time for windows of one forecast, with its name and unit and the
    periods of low spread shaded."""
    {
        "elevation": _elevation,
        "spread": _spread,
        "loss": _loss,
        "noise": _noise,
        "signal": _signal,
    }[kind](axes, forecast, windows)
    for period in low_spread:
        axes.axvspan(period.start_utc_s, period.end_utc_s, zorder=0, **LOW_SPREAD)
    axes.grid(True, color="#dddddd", linewidth=0.6, zorder=0)
    axes.yaxis.label.set_fontsize(9)
    if len(axes.get_legend_handles_labels()[0]) > 1:
        axes.legend(
            loc="center left", bbox_to_anchor=(1.005, 0.5), fontsize=8, frameon=False,
            handlelength=2.6,
        )  # fmt: skip


def _joined(
    windows: Iterable[Window], value: Callable[[Series], Array | None]
) -> tuple[Array, Array]:
    """Returns instants and values of all windows, with a gap (NaN) after each window."""
    times: list[Array] = []
    values: list[Any] = []
    for window in windows:
        samples = value(window.series)
        if samples is None:
            continue
        times += [window.series.utc_s, window.series.utc_s[-1:]]
        values += [samples, [np.nan]]
    return (np.concatenate(times), np.concatenate(values)) if times else (np.empty(0), np.empty(0))


def _ends(
    axes: Axes,
    forecast: Forecast,
    windows: Sequence[Window],
    pick: Callable[[EndSeries], Array | None],
    before_name: str = "",
) -> None:
    """Draws a line for each end; only home's for our own echo. before_name: of its label."""
    lines: list[tuple[str, dict[str, Any], Callable[[Series], Array | None]]]
    lines = [("home", HOME, lambda s: pick(s.home))]
    if forecast.question.partner is not None:
        lines.append((forecast.question.partner.name, FAR, lambda s: pick(s.far)))
    for name, style, value in lines:
        utc_s, values = _joined(windows, value)
        if utc_s.size:
            axes.plot(utc_s, values, label=before_name + _short(name), **style)


def _from_zero(axes: Axes) -> None:
    """Sets the limits from 0 to a little above the highest line."""
    axes.set_ylim(0.0, 1.12 * float(axes.dataLim.y1))


def _short(name: str) -> str:
    return name if len(name) <= 12 else name[:11] + "…"


def _elevation(axes: Axes, forecast: Forecast, windows: Sequence[Window]) -> None:
    _ends(axes, forecast, windows, lambda end: end.elevation_deg)
    axes.margins(y=0.1)
    axes.set_ylabel("elevation, °")


def _spread(axes: Axes, forecast: Forecast, windows: Sequence[Window]) -> None:
    axes.plot(*_joined(windows, lambda s: s.spread_hz), label="limb to\nlimb", **MAIN)
    axes.plot(
        *_joined(windows, lambda s: s.half_power_hz), label="half power\n(estimate)", **SECOND
    )
    _from_zero(axes)
    axes.set_ylabel("spread, Hz")


def _loss(axes: Axes, forecast: Forecast, windows: Sequence[Window]) -> None:
    axes.plot(*_joined(windows, lambda s: s.path_loss_db), **MAIN)
    low, high = axes.get_ylim()
    if high - low < 0.5:
        middle = 0.5 * (low + high)
        axes.set_ylim(middle - 0.25, middle + 0.25)
    axes.ticklabel_format(axis="y", useOffset=False)
    axes.set_ylabel("path loss, dB")


def _noise(axes: Axes, forecast: Forecast, windows: Sequence[Window]) -> None:
    _ends(axes, forecast, windows, lambda end: end.antenna_k)
    _from_zero(axes)
    axes.yaxis.set_major_formatter(lambda kelvin, _: typeset(short(kelvin)))
    axes.set_ylabel("antenna\ntemperature, K")


def _signal(axes: Axes, forecast: Forecast, windows: Sequence[Window]) -> None:
    """Draws the margin over the threshold if there is one, else the signal-to-noise ratio."""
    threshold_db = forecast.question.signal.threshold_db
    if threshold_db is not None:
        axes.plot(*_joined(windows, lambda s: s.margin_db), label="after\nspread (est.)", **MAIN)
        axes.plot(*_joined(windows, lambda s: _weaker(s) - threshold_db), label="before", **SECOND)
        axes.axhline(0.0, color="black", linewidth=0.8)
        axes.margins(y=0.1)
        axes.set_ylabel("margin, dB")
        return
    if forecast.question.partner is None:
        axes.plot(*_joined(windows, lambda s: s.home.snr_db), **MAIN)
    else:
        _ends(axes, forecast, windows, _snr, "received\nat ")
    axes.margins(y=0.1)
    axes.set_ylabel("S/N, dB")


def _snr(end: EndSeries) -> Array | None:
    return end.snr_db


def _weaker(series: Series) -> Array:
    known = [end.snr_db for end in (series.home, series.far) if end.snr_db is not None]
    return np.asarray(np.min(known, axis=0))
