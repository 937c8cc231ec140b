"""The picture of a rehearsal: correction, dial and residual over the pass."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import matplotlib

matplotlib.use("Agg")

import numpy as np
from matplotlib import dates
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from moontrim.formats import grouped, typeset
from moontrim.rehearsal.judgement import DialResult, Result

INK = {"receive": "#1b4f72", "transmit": "#b9770e"}
STYLE = {"receive": "-", "transmit": "--"}  # tells them apart when printed in grey
BINS = 240  # chosen: stretches of the pass, each a few pixels wide


def draw_rehearsal(result: Result, path: Path) -> None:
    """Writes a PNG, SVG or PDF, by the suffix. Raises OSError, ValueError for another suffix."""
    figure = Figure(figsize=(11, 8.5), layout="constrained")
    correction, dial, residual = figure.subplots(3, 1, sharex=True, height_ratios=(3, 2, 3))
    start, end = (datetime.fromtimestamp(t, UTC) for t in (result.start_utc_s, result.end_utc_s))
    figure.suptitle(
        f"Rehearsal on {result.band}, {start:%Y-%m-%d %H:%M} to {end:%H:%M} UTC, agreement "
        f"{result.agreement}, sked {typeset(grouped(result.sked_hz))} Hz",
        fontsize=12,
    )
    for one in result.dials:
        _correction_panel(correction, one)
        _dial_panel(dial, one)
        _residual_panel(residual, one)
    correction.set_ylabel("correction (Hz)")
    correction.yaxis.set_major_formatter(lambda hz, _: typeset(grouped(hz)))
    correction.legend(loc="best", frameon=False)
    dial.set_ylabel("dial as set (MHz)")
    dial.yaxis.set_major_formatter(lambda mhz, _: typeset(grouped(mhz, 3)))
    residual.set_ylabel("residual, dial as set\nminus ideal (Hz)")
    half = result.resolution_hz / 2
    for level in (-half, half):
        residual.axhline(level, color="black", linewidth=0.7, linestyle=":")
    residual.annotate(
        f"half a dial step ({half:g} Hz)",
        (0.004, half),
        xycoords=("axes fraction", "data"),
        xytext=(0, 3),
        textcoords="offset points",
        fontsize=8,
    )
    residual.set_ylim(-2.4 * half, 1.6 * half)
    residual.set_xlabel("UTC")
    residual.xaxis.set_major_formatter(dates.DateFormatter("%H:%M", tz=UTC))  # type: ignore[no-untyped-call]
    for axes in (correction, dial, residual):
        axes.grid(alpha=0.25)
        axes.margins(x=0)
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, dpi=110)


def _times(utc_s: np.ndarray) -> np.ndarray:
    """Returns instants as NumPy's, to the millisecond."""
    return (utc_s * 1e3).astype("datetime64[ms]")


def _correction_panel(axes: Axes, one: DialResult) -> None:
    """Draws the correction of one dial."""
    thin = slice(None, None, max(1, one.utc_s.size // 2000))
    _line(axes, one, _times(one.utc_s[thin]), one.correction_hz[thin])


def _dial_panel(axes: Axes, one: DialResult) -> None:
    """Draws one dial as set."""
    thin = slice(None, None, max(1, one.utc_s.size // 2000))
    _line(axes, one, _times(one.utc_s[thin]), one.dial_hz[thin] / 1e6)


def _line(axes: Axes, one: DialResult, x: np.ndarray, y: np.ndarray) -> None:
    """Draws a line in colour and stroke of one dial."""
    axes.plot(x, y, STYLE[one.name], color=INK[one.name], label=one.name)


def _residual_panel(axes: Axes, one: DialResult) -> None:
    """Draws the range of each stretch of the pass as a band and its RMS as a line; a point for each
    step would be a blur."""
    cut = np.linspace(0, one.utc_s.size, BINS + 1).astype(int)
    cuts = [(a, b) for a, b in pairwise(cut) if np.isfinite(one.residual_hz[a:b]).any()]
    parts = [one.residual_hz[a:b] for a, b in cuts]
    middle = _times(np.array([one.utc_s[(a + b) // 2] for a, b in cuts]))
    low, high = [np.nanmin(p) for p in parts], [np.nanmax(p) for p in parts]
    rms = [float(np.sqrt(np.nanmean(p**2))) for p in parts]
    axes.fill_between(middle, low, high, color=INK[one.name], alpha=0.2, linewidth=0)
    axes.plot(
        middle,
        rms,
        STYLE[one.name],
        color=INK[one.name],
        label=f"{one.name}: RMS {one.rms_hz:.3f} Hz, max {one.max_hz:.3f} Hz, "
        f"{typeset(grouped(one.steps))} steps",
    )
    axes.legend(loc="lower left", frameon=False, fontsize=9, title="shaded: min to max; line: RMS")
