"""A measured pass band as a person reads it, with a verdict, and as plain data for programs."""

from __future__ import annotations

from typing import Any

import numpy as np
from rich.console import Console

from moontrim.bench.passband.measure import WANTED_DB, Passband
from moontrim.bench.passband.remarks import Edges, PassbandRemark

# Common practice: a good radio is flat there, an older one shows about 2.5 dB.
FLAT_DB, OLDER_DB, MUCH_DB = 1.0, 2.5, 3.5
# With more doubt than this none of the three can be told from another.
DOUBT_DB = 1.0
NO_EDGES: Edges = (None, None)


def verdict(found: Passband) -> str:
    """One sentence on the radio, or on why nothing can be said."""
    if not found.is_noise:
        return (
            "This is not steady broadband noise, so it says nothing about the radio: record the "
            "noise of the antenna or of a noise source, without signals."
        )
    ripple_db, doubt_db = found.ripple_db, found.ripple_uncertainty_db
    if any(note.kind == "range" for note in found.remarks):
        return "The range reaches beyond the pass band; choose a narrower one to see the ripple."
    if doubt_db > DOUBT_DB:
        return "Too short to tell a flat radio from one that is not."
    if ripple_db <= FLAT_DB:
        how = "as flat as a good radio"
    elif ripple_db <= 0.5 * (FLAT_DB + OLDER_DB):
        how = "between a good radio, which is flat, and an older one with about 2.5 dB"
    elif ripple_db <= MUCH_DB:
        how = "about the 2.5 dB of an older radio; a good one is flat"
    else:
        how = "more than the 2.5 dB of an older radio"
    return f"Ripple of {ripple_db:.1f} dB is {how} (common practice)."


def told(found: Passband) -> list[PassbandRemark]:
    """The remarks that make sense: what has no ripple needs no better range to see it in."""
    left_out = () if found.is_noise else ("range", "edge")
    return [note for note in found.remarks if note.kind not in left_out]


def longer(found: Passband) -> str:
    """How long to record."""
    length = f"{found.length_s:.0f} s of sound"
    if not found.is_noise:
        return length
    if found.needed_s <= found.length_s:
        return f"{length}, long enough for {WANTED_DB:g} dB"
    needed_s = 10.0 * np.ceil(found.needed_s / 10.0)
    return f"{length}; make it {needed_s:.0f} seconds long for {WANTED_DB:g} dB"


def as_plain(found: Passband) -> dict[str, Any]:
    """For JSON. Uncertainty of the ripple: 95 %; error of a point: 1 sigma, median in the range.
    No ripple and no edges if it is not noise."""
    known = found.is_noise
    point_db = float(np.nanmedian(found.point_error_db[found.in_range]))
    return {
        "ripple_db": round(found.ripple_db, 3) if known else None,
        "ripple_uncertainty_db": round(found.ripple_uncertainty_db, 3) if known else None,
        "low_hz": found.low_hz,
        "high_hz": found.high_hz,
        "edges_3db_hz": _rounded(found.edges_3db_hz if known else NO_EDGES),
        "edges_6db_hz": _rounded(found.edges_6db_hz if known else NO_EDGES),
        "smoothing_hz": round(found.smoothing_hz, 2),
        "point_error_db": round(point_db, 3),
        "length_s": round(found.length_s, 2),
        "length_for_0.2_db_s": round(found.needed_s, 0) if known else None,
        "hum": [_line(line.frequency_hz, line.level_db) for line in found.hum],
        "tones": [_line(line.frequency_hz, line.level_db) for line in found.tones],
        "remarks": [{"kind": note.kind, "text": note.text} for note in told(found)],
        "noise": found.is_noise,
        "verdict": verdict(found),
    }


def _rounded(edges: Edges) -> list[float | None]:
    return [None if edge is None else round(edge, 1) for edge in edges]


def _line(frequency_hz: float, level_db: float) -> dict[str, float]:
    return {"frequency_hz": round(frequency_hz, 3), "level_db": round(level_db, 1)}


def show_passband(found: Passband, console: Console | None = None) -> None:
    """Print it."""
    console = console or Console()
    point_db = float(np.nanmedian(found.point_error_db[found.in_range]))
    lines = [("length", longer(found))]
    if found.is_noise:
        lines += [
            (
                "ripple",
                f"{found.ripple_db:.2f} dB peak to peak, ± {found.ripple_uncertainty_db:.2f} "
                f"(95 %), from {found.low_hz:g} to {found.high_hz:g} Hz",
            ),
            ("edges", f"at -3 dB {edges_text(found.edges_3db_hz)}"),
            ("", f"at -6 dB {edges_text(found.edges_6db_hz)}"),
            (
                "smoothing",
                f"{found.smoothing_hz:.0f} Hz; standard error of a point {point_db:.2f} dB",
            ),
        ]
    if found.hum:
        listed = ", ".join(f"{line.frequency_hz:.1f}" for line in found.hum)
        lines.append(("hum", f"{listed} Hz; left out of the ripple"))
    for name, text in lines:
        console.print(f"{name:10} {text}", highlight=False)
    for note in told(found):
        if note.kind != "hum":
            console.print(f"{'':10} {note.text}", style="yellow", highlight=False)
    console.print(verdict(found), style="bold", highlight=False)


def edges_text(edges: Edges) -> str:
    """Both edges and the width between them."""
    low, high = ("-" if edge is None else f"{edge:.0f}" for edge in edges)
    text = f"{low} to {high} Hz"
    if edges[0] is not None and edges[1] is not None:
        text += f", {edges[1] - edges[0]:.0f} wide"
    return text
