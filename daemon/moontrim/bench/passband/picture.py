"""The picture of a pass band: the response with its edges, and the range enlarged."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from moontrim.bench.passband.measure import SIGMAS_95, Passband
from moontrim.bench.passband.show import edges_text, longer, told, verdict
from moontrim.bench.picturefile import check_picture
from moontrim.errors import InputError

SMOOTH: dict[str, Any] = {"color": "#16325c", "linewidth": 1.6}
FINE: dict[str, Any] = {"color": "#bdbdbd", "linewidth": 0.5}
RANGE: dict[str, Any] = {"color": "#d1701c", "alpha": 0.12, "linewidth": 0.0}
LINES: dict[str, Any] = {"color": "#d1701c", "linewidth": 1.0, "alpha": 0.8}
LOWEST_DB = -50.0
WRAP = 150


def draw_passband(found: Passband, path: Path) -> None:
    """Write a PNG or SVG. Raises InputError for another suffix or a place that cannot be
    written."""
    check_picture(path)
    figure = Figure(figsize=(11, 8), dpi=110, layout="constrained")
    FigureCanvasAgg(figure)
    whole, near = figure.subplots(2, 1, height_ratios=(3, 2))
    title = "Not steady broadband noise"
    if found.is_noise:
        title = (
            f"Pass band: ripple {found.ripple_db:.2f} dB ± {found.ripple_uncertainty_db:.2f} "
            f"(95 %) from {found.low_hz:g} to {found.high_hz:g} Hz"
        )
    figure.suptitle(title, fontsize=14, weight="bold")
    _whole_panel(whole, found)
    _near_panel(near, found)
    texts = [f"{verdict(found)} {longer(found)}."]
    texts += [note.text[0].upper() + note.text[1:] + "." for note in told(found)]
    lines = [line for text in texts for line in textwrap.wrap(text, WRAP)]
    figure.supxlabel("\n".join(lines), x=0.01, ha="left", fontsize=9)
    try:
        if path.suffix.lower() == ".svg":
            figure.savefig(path, format="svg", metadata={"Date": None})
        else:
            figure.savefig(path, format="png")
    except OSError as error:
        raise InputError(
            "--picture", str(path), f"a file that can be written ({error.strerror})"
        ) from None


def _whole_panel(axes: Axes, found: Passband) -> None:
    top_hz = _top_hz(found)
    shown = found.frequency_hz <= top_hz
    f = found.frequency_hz[shown]
    axes.plot(f, found.fine_db[shown], label="unsmoothed", **FINE)
    axes.plot(f, found.response_db[shown], label=f"mean of {found.smoothing_hz:.0f} Hz", **SMOOTH)
    axes.axvspan(found.low_hz, found.high_hz, **RANGE)
    highest = float(np.nanmax(found.response_db[shown]))
    lowest = max(float(np.nanmin(found.response_db[shown])) - 3.0, LOWEST_DB)
    for down, edges, style in ((3, found.edges_3db_hz, "--"), (6, found.edges_6db_hz, ":")):
        axes.axhline(
            -down, color="black", linewidth=0.8, linestyle=style,
            label=f"-{down} dB: {edges_text(edges)}",
        )  # fmt: skip
        known = [edge for edge in edges if edge is not None and edge <= top_hz]
        axes.plot(known, [-down] * len(known), "o", color="black", markersize=4)
    lines = [line.frequency_hz for line in found.hum + found.tones if line.frequency_hz < top_hz]
    if lines:
        axes.plot(
            lines, [0.03] * len(lines), "|", transform=axes.get_xaxis_transform(), markersize=11,
            label="hum or tone, left out", **LINES,
        )  # fmt: skip
    axes.set_xlim(0.0, top_hz)
    axes.set_ylim(min(lowest, -9.0), highest + 4.0)
    axes.set_ylabel("response, dB\n(0: median in the range)")
    axes.legend(loc="best", fontsize=8, framealpha=0.9)
    axes.grid(alpha=0.25)


def _near_panel(axes: Axes, found: Passband) -> None:
    within = found.in_range
    f, level_db = found.frequency_hz[within], found.response_db[within]
    doubt_db = SIGMAS_95 * found.point_error_db[within]
    axes.fill_between(
        f, level_db - doubt_db, level_db + doubt_db, color=SMOOTH["color"], alpha=0.18,
        linewidth=0.0, label="95 % of each point",
    )  # fmt: skip
    axes.plot(f, level_db, **SMOOTH)
    for k in (int(np.nanargmax(level_db)), int(np.nanargmin(level_db))):
        axes.annotate(
            f"{level_db[k]:+.2f} dB at {f[k]:.0f} Hz", (float(f[k]), float(level_db[k])),
            xytext=(0, 12 if level_db[k] > 0.0 else -12), textcoords="offset points",
            ha="left" if f[k] < 0.5 * (f[0] + f[-1]) else "right",
            va="bottom" if level_db[k] > 0.0 else "top", fontsize=8,
        )  # fmt: skip
        axes.plot(f[k], level_db[k], "o", color="black", markersize=4)
    axes.margins(y=0.3)
    axes.set_xlim(found.low_hz, found.high_hz)
    low, high = axes.get_ylim()
    if high - low < 2.0:  # a flat one should look flat
        axes.set_ylim(-1.0, 1.0)
    axes.set_ylabel("in the range, dB")
    axes.set_xlabel("frequency of the sound, Hz")
    axes.legend(loc="best", fontsize=8, framealpha=0.9)
    axes.grid(alpha=0.25)


def _top_hz(found: Passband) -> float:
    """Some way beyond the range and the upper edge."""
    edge_hz = found.edges_6db_hz[1] or found.high_hz
    return min(float(found.frequency_hz[-1]), 1.25 * max(edge_hz, found.high_hz))
