"""The picture of a tone: frequency over time, spectrum, Allan deviation."""

from __future__ import annotations

from pathlib import Path

import matplotlib

matplotlib.use("Agg")

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import NullFormatter

from moontrim.bench.tone.words import ToneReport
from moontrim.errors import InputError, unwritable
from moontrim.formats import grouped, short, typeset

INK, SECOND = "#1b4f72", "#b9770e"
AROUND_HZ = 100.0  # chosen: shows the noise beside the tone, and mains lines
POINTS = 4000  # four times the pixels across


def draw_tone(report: ToneReport, name: str, path: Path) -> None:
    """Writes a PNG, SVG or PDF, by the suffix. name: of the recording, for the title. Raises
    InputError for another suffix or a file that cannot be written."""
    figure = Figure(figsize=(11, 8.5), layout="constrained")
    tone = report.tone
    if tone.detected and tone.track is not None:
        grid = figure.add_gridspec(2, 2, height_ratios=(3, 3))
        _course(figure.add_subplot(grid[0, :]), report)
        _spectrum(figure.add_subplot(grid[1, 0]), report)
        _allan(figure.add_subplot(grid[1, 1]), report)
    else:
        _spectrum(figure.add_subplot(), report)
    title = "no tone detected"
    if tone.detected:
        title = (
            f"tone at {grouped(tone.frequency_hz, 3)} Hz, C/N0 {tone.cn0_db_hz:.1f} dB-Hz, "
            f"drift {tone.drift_hz_per_s:+.2g} Hz/s"
        )
    figure.suptitle(f"{name}, {tone.duration_s:.0f} s: {typeset(title)}", fontsize=12)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        figure.savefig(path, dpi=110)
    except OSError as error:
        raise unwritable("--plot", path, error) from None
    except ValueError:
        expected = "a file name ending in .png, .svg or .pdf"
        raise InputError("--plot", str(path), expected) from None


def _course(axes: Axes, report: ToneReport) -> None:
    """Draws the frequency over time, with the fit as a line."""
    tone, track = report.tone, report.tone.track
    assert track is not None
    base_hz = tone.frequency_hz
    off_hz = track.frequency_hz - base_hz
    axes.errorbar(
        track.at_s, off_hz, track.uncertainty_hz, fmt=".", color=INK, ecolor="#a9c3d6",
        elinewidth=0.8, markersize=4, label=f"in blocks of {track.block_s:.3g} s, 1 sigma",
    )  # fmt: skip
    ends_s = np.array([0.0, tone.duration_s])
    line_hz = tone.drift_hz_per_s * (ends_s - 0.5 * tone.duration_s)
    axes.plot(
        ends_s, line_hz, "--", color=SECOND, linewidth=1.4,
        label=f"fit: uncertainty {tone.uncertainty_hz:.2g} Hz at the middle, 1 sigma",
    )  # fmt: skip
    if report.expected_hz is not None and abs(report.expected_hz - base_hz) < 20.0 * np.ptp(off_hz):
        axes.axhline(report.expected_hz - base_hz, color="black", linewidth=0.9, label="expected")
    axes.set_xlabel("time (s)")
    axes.set_ylabel(typeset(f"frequency minus\n{grouped(base_hz, 3)} Hz (Hz)"))
    axes.margins(x=0.01)
    axes.legend(loc="best", frameon=False, fontsize=9)
    axes.grid(alpha=0.25)


def _spectrum(axes: Axes, report: ToneReport) -> None:
    """Draws the spectrum around the tone, or all that was searched. Of each stretch of cells the
    highest is drawn, so that no line is lost."""
    tone = report.tone
    frequency_hz, power = tone.density.frequency_hz, tone.density.power
    if tone.detected:
        low_hz, high_hz = tone.frequency_hz - AROUND_HZ, tone.frequency_hz + AROUND_HZ
    else:
        low_hz, high_hz = tone.low_hz, tone.high_hz
    shown = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    frequency_hz, power = frequency_hz[shown], power[shown]
    if power.size and np.median(power) > 0.0:
        step = max(1, power.size // POINTS)
        size = power.size // step * step
        highest = power[:size].reshape(-1, step).max(axis=1)
        level_db = 10.0 * np.log10(np.maximum(highest / np.median(power), 1e-6))
        axes.plot(frequency_hz[:size:step], level_db, color=INK, linewidth=0.9)
        axes.set_ylim(bottom=max(float(level_db.min()), -25.0) - 1.0)
    if tone.detected:
        axes.axvline(tone.frequency_hz, color=SECOND, linestyle="--", linewidth=1.0, label="tone")
    if report.expected_hz is not None and low_hz <= report.expected_hz <= high_hz:
        axes.axvline(report.expected_hz, color="black", linewidth=0.9, label="expected")
    if axes.get_legend_handles_labels()[0]:
        axes.legend(loc="best", frameon=False, fontsize=9)
    axes.xaxis.set_major_formatter(lambda hz, _: typeset(short(hz)))
    axes.set_xlabel("audio frequency (Hz)")
    axes.set_ylabel(f"power above median (dB),\n{1.5 * tone.density.step_hz:.2g} Hz resolution")
    axes.margins(x=0)
    axes.grid(alpha=0.25)


def _allan(axes: Axes, report: ToneReport) -> None:
    """Draws the Allan deviation, and what of it is noise of the measurement."""
    points, track = report.allan, report.tone.track
    assert track is not None
    tau_s = np.array([p.tau_s for p in points])
    deviation = np.array([p.deviation for p in points])
    error = np.array([min(p.uncertainty, 0.9 * p.deviation) for p in points])
    axes.errorbar(tau_s, deviation, error, fmt=".-", color=INK, label="measured")
    noise = [n for t in tau_s if (n := track.noise_deviation(t, report.of_hz)) is not None]
    if noise:
        axes.plot(tau_s, noise, ".--", color=SECOND, label="measurement noise alone")
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_xlabel("averaging time (s)")
    of = "on-air" if report.on_air_hz is not None else "audio"
    axes.set_ylabel(typeset(f"Allan deviation, fraction\nof {grouped(report.of_hz)} Hz {of}"))
    axes.legend(loc="best", frameon=False, fontsize=9)
    axes.grid(alpha=0.25, which="both")
