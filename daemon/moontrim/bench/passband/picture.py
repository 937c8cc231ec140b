"""The picture of a passband: the response with its edges above, the range enlarged below."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from moontrim.bench.passband.measure import SIGMAS_95, Passband
from moontrim.bench.passband.show import edges_text, longer, relevant_remarks, verdict
from moontrim.errors import unwritable
from moontrim.formats import grouped, short, typeset

SMOOTH: dict[str, Any] = {"color": "#16325c", "linewidth": 1.6}
FINE: dict[str, Any] = {"color": "#bdbdbd", "linewidth": 0.5}
RANGE: dict[str, Any] = {"color": "#d1701c", "alpha": 0.12, "linewidth": 0.0}
LINES: dict[str, Any] = {"color": "#d1701c", "linewidth": 1.0, "alpha": 0.8}
LOWEST_DB = -50.0  # what is further down is the converter's own noise, not the filter
WRAP = 150  # characters to a line below the panels


def draw_passband(passband: Passband, path: Path) -> None:
    """Writes an SVG for that suffix, else a PNG. Raises InputError for a file that cannot be
    written."""
    figure = Figure(figsize=(11, 8), dpi=110, layout="constrained")
    FigureCanvasAgg(figure)
    whole, near = figure.subplots(2, 1, height_ratios=(3, 2))
    title = "Clipped recording" if passband.is_noise else "Not steady broadband noise"
    if passband.is_valid:
        title = (
            f"Passband: ripple {passband.ripple_db:.2f} dB ± {passband.ripple_uncertainty_db:.2f} "
            f"(95 %) from {short(passband.low_hz)} to {short(passband.high_hz)} Hz"
        )
    figure.suptitle(typeset(title), fontsize=14, weight="bold")
    _whole_panel(whole, passband)
    _near_panel(near, passband)
    texts = [f"{verdict(passband)} Length {longer(passband)}."]
    texts += [
        remark.text[0].upper() + remark.text[1:] + "." for remark in relevant_remarks(passband)
    ]
    lines = [line for text in texts for line in textwrap.wrap(text, WRAP)]
    figure.supxlabel(typeset("\n".join(lines)), x=0.01, ha="left", fontsize=9)
    try:
        if path.suffix.lower() == ".svg":
            figure.savefig(path, format="svg", metadata={"Date": None})
        else:
            figure.savefig(path, format="png")
    except OSError as error:
        raise unwritable("--plot", path, error) from None


def _whole_panel(axes: Axes, passband: Passband) -> None:
    """Draws the response from 0 Hz to beyond its upper edge."""
    top_hz = _top_hz(passband)
    shown = passband.frequency_hz <= top_hz
    f = passband.frequency_hz[shown]
    axes.plot(f, passband.fine_db[shown], label="unsmoothed", **FINE)
    label = f"{passband.smoothing_hz:.0f} Hz moving average"
    axes.plot(f, passband.response_db[shown], label=label, **SMOOTH)
    axes.axvspan(passband.low_hz, passband.high_hz, **RANGE)
    highest = float(np.nanmax(passband.response_db[shown]))
    lowest = max(float(np.nanmin(passband.response_db[shown])) - 3.0, LOWEST_DB)
    for down, edges, style in ((3, passband.edges_3db_hz, "--"), (6, passband.edges_6db_hz, ":")):
        axes.axhline(
            -down, color="black", linewidth=0.8, linestyle=style,
            label=typeset(f"-{down} dB: {edges_text(edges)}"),
        )  # fmt: skip
        known = [edge for edge in edges if edge is not None and edge <= top_hz]
        axes.plot(known, [-down] * len(known), "o", color="black", markersize=4)
    lines = [
        line.frequency_hz for line in passband.hum + passband.tones if line.frequency_hz < top_hz
    ]
    if lines:
        axes.plot(
            lines, [0.03] * len(lines), "|", transform=axes.get_xaxis_transform(), markersize=11,
            label="hum or tone, excluded", **LINES,
        )  # fmt: skip
    axes.set_xlim(0.0, top_hz)
    axes.xaxis.set_major_formatter(_hertz)
    axes.set_ylim(min(lowest, -9.0), highest + 4.0)
    axes.set_ylabel("response, dB\n(0: median in the range)")
    axes.legend(loc="best", fontsize=8, framealpha=0.9)
    axes.grid(alpha=0.25)


def _near_panel(axes: Axes, passband: Passband) -> None:
    """Draws the response in the range, with the 95 % confidence band."""
    within = passband.in_range
    f, level_db = passband.frequency_hz[within], passband.response_db[within]
    doubt_db = SIGMAS_95 * passband.point_error_db[within]
    axes.fill_between(
        f, level_db - doubt_db, level_db + doubt_db, color=SMOOTH["color"], alpha=0.18,
        linewidth=0.0, label="95 % confidence band",
    )  # fmt: skip
    axes.plot(f, level_db, **SMOOTH)
    for k in (int(np.nanargmax(level_db)), int(np.nanargmin(level_db))):
        axes.annotate(
            typeset(f"{level_db[k]:+.2f} dB at {grouped(f[k])} Hz"),
            (float(f[k]), float(level_db[k])),
            xytext=(0, 12 if level_db[k] > 0.0 else -12), textcoords="offset points",
            ha="left" if f[k] < 0.5 * (f[0] + f[-1]) else "right",
            va="bottom" if level_db[k] > 0.0 else "top", fontsize=8,
        )  # fmt: skip
        axes.plot(f[k], level_db[k], "o", color="black", markersize=4)
    axes.margins(y=0.3)
    axes.set_xlim(passband.low_hz, passband.high_hz)
    axes.xaxis.set_major_formatter(_hertz)
    low, high = axes.get_ylim()
    if high - low < 2.0:  # a flat one should look flat
        axes.set_ylim(-1.0, 1.0)
    axes.set_ylabel("response in the range, dB")
    axes.set_xlabel("audio frequency, Hz")
    axes.legend(loc="best", fontsize=8, framealpha=0.9)
    axes.grid(alpha=0.25)


def _hertz(value: float, _: object) -> str:
    """Returns the label of a tick."""
    return typeset(short(value))


def _top_hz(passband: Passband) -> float:
    """Returns the upper end of the frequency axis, beyond the range and the upper edge."""
    edge_hz = passband.edges_6db_hz[1] or passband.high_hz
    return min(float(passband.frequency_hz[-1]), 1.25 * max(edge_hz, passband.high_hz))
