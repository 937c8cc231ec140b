"""A measured passband as text with a verdict, and as plain data for JSON."""

from __future__ import annotations

from typing import Any

import numpy as np
from rich.console import Console

from moontrim.bench.passband.measure import WANTED_DB, Passband
from moontrim.bench.passband.remarks import Edges, PassbandRemark
from moontrim.formats import grouped, short

# Common practice: a good radio is flat there, an older one shows about 2.5 dB.
FLAT_DB, OLDER_DB, MUCH_DB = 1.0, 2.5, 3.5
# Chosen: with a greater uncertainty a flat radio cannot be told from an older one.
DOUBT_DB = 1.0
NO_EDGES: Edges = (None, None)


def verdict(passband: Passband) -> str:
    """Returns one sentence on the radio, or on why the recording tells nothing about it."""
    if not passband.is_noise:
        return (
            "Not steady broadband noise, so it shows nothing about the radio; record the noise of "
            "the antenna or of a noise source, without signals."
        )
    if not passband.is_valid:
        return "Clipped, so it shows nothing about the radio; reduce the level and record again."
    ripple_db, doubt_db = passband.ripple_db, passband.ripple_uncertainty_db
    if any(remark.kind == "range" for remark in passband.remarks):
        return "The range extends beyond the passband; choose a narrower one to measure the ripple."
    if doubt_db > DOUBT_DB:
        return "Recording too short to judge the ripple."
    if ripple_db <= FLAT_DB:
        how = "flat"
    elif ripple_db <= 0.5 * (FLAT_DB + OLDER_DB):
        how = "moderate"
    elif ripple_db <= MUCH_DB:
        how = "large, as of an older radio"
    else:
        how = "very large"
    return (
        f"Ripple {ripple_db:.1f} dB: {how} (common practice: a flat radio is below {FLAT_DB:g} dB, "
        f"older radios are about {OLDER_DB:g} dB)."
    )


def relevant_remarks(passband: Passband) -> list[PassbandRemark]:
    """Returns the remarks to show: without a ripple none on how to choose the range for it."""
    left_out = () if passband.is_valid else ("range", "edge")
    return [remark for remark in passband.remarks if remark.kind not in left_out]


def longer(passband: Passband) -> str:
    """Returns the length of the recording, with the length that would be enough."""
    length = f"{passband.duration_s:.0f} s"
    if not passband.is_valid:
        return length
    if passband.needed_s <= passband.duration_s:
        return f"{length}, enough for ±{WANTED_DB:g} dB"
    needed_s = 10.0 * np.ceil(passband.needed_s / 10.0)
    return f"{length}; {needed_s:.0f} s needed for ±{WANTED_DB:g} dB"


def as_plain(passband: Passband) -> dict[str, Any]:
    """Returns plain data for JSON. Uncertainty of the ripple: 95 %; error of a point: 1 sigma,
    median in the range. Ripple and edges are null if the recording is not valid."""
    known = passband.is_valid
    point_db = float(np.nanmedian(passband.point_error_db[passband.in_range]))
    return {
        "ripple_db": round(passband.ripple_db, 3) if known else None,
        "ripple_uncertainty_db": round(passband.ripple_uncertainty_db, 3) if known else None,
        "low_hz": passband.low_hz,
        "high_hz": passband.high_hz,
        "edges_3db_hz": _rounded(passband.edges_3db_hz if known else NO_EDGES),
        "edges_6db_hz": _rounded(passband.edges_6db_hz if known else NO_EDGES),
        "smoothing_hz": round(passband.smoothing_hz, 2),
        "point_error_db": round(point_db, 3),
        "duration_s": round(passband.duration_s, 2),
        "length_for_0.2_db_s": round(passband.needed_s, 0) if known else None,
        "hum": [_line(line.frequency_hz, line.level_db) for line in passband.hum],
        "tones": [_line(line.frequency_hz, line.level_db) for line in passband.tones],
        "remarks": [
            {"kind": remark.kind, "text": remark.text} for remark in relevant_remarks(passband)
        ],
        "valid": passband.is_valid,
        "verdict": verdict(passband),
    }


def _rounded(edges: Edges) -> list[float | None]:
    """Returns edges rounded for JSON."""
    return [None if edge is None else round(edge, 1) for edge in edges]


def _line(frequency_hz: float, level_db: float) -> dict[str, float]:
    """Returns a line of the spectrum for JSON."""
    return {"frequency_hz": round(frequency_hz, 3), "level_db": round(level_db, 1)}


def show_passband(passband: Passband, console: Console | None = None) -> None:
    """Prints the measurement, its remarks and the verdict."""
    console = console or Console()
    point_db = float(np.nanmedian(passband.point_error_db[passband.in_range]))
    lines = [("length", longer(passband))]
    if passband.is_valid:
        lines += [
            (
                "ripple",
                f"{passband.ripple_db:.2f} dB peak to peak, ± {passband.ripple_uncertainty_db:.2f} "
                f"(95 %), from {short(passband.low_hz)} to {short(passband.high_hz)} Hz",
            ),
            ("edges", f"-3 dB: {edges_text(passband.edges_3db_hz)}"),
            ("", f"-6 dB: {edges_text(passband.edges_6db_hz)}"),
            (
                "smoothing",
                f"{passband.smoothing_hz:.0f} Hz moving average, standard error {point_db:.2f} dB",
            ),
        ]
    if passband.hum:
        listed = ", ".join(grouped(line.frequency_hz, 1) for line in passband.hum)
        lines.append(("hum", f"{listed} Hz, excluded"))
    for name, text in lines:
        console.print(f"{name:10} {text}", highlight=False)
    for remark in relevant_remarks(passband):
        if remark.kind != "hum":
            console.print(f"{'':10} {remark.text}", style="yellow", highlight=False)
    console.print(verdict(passband), style="bold", highlight=False)


def edges_text(edges: Edges) -> str:
    """Returns both edges and the width between them, as text."""
    low, high = edges
    if low is None:
        return "not reached" if high is None else f"not reached below, {grouped(high)} Hz above"
    if high is None:
        return f"{grouped(low)} Hz below, not reached above"
    return f"{grouped(low)} to {grouped(high)} Hz, {grouped(high - low)} Hz wide"
