"""Remarks on a measured passband, as sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from moontrim.bench.hum import HumLine
from moontrim.bench.recording import RecordingRemarkKind
from moontrim.formats import grouped

NoteKind = RecordingRemarkKind | Literal["tone", "unsteady", "edge", "range"]
Edges = tuple[float | None, float | None]

LEVEL_CHANGE_DB = 3.0  # chosen: half the power, which no steady source loses by itself


@dataclass(frozen=True)
class PassbandRemark:
    """A fact about the measurement that its user should know. text: one plain sentence."""

    kind: NoteKind
    text: str


def tone_notes(tones: Sequence[HumLine], share: float | None) -> list[PassbandRemark]:
    """Returns remarks on tones. share: of the power in the range, held by tones and hum; None
    unless it is too much."""
    notes = []
    if tones:
        loudest = max(tones, key=lambda line: line.level_db)
        which = "tone" if len(tones) == 1 else f"{len(tones)} tones, the strongest"
        text = (
            f"at {grouped(loudest.frequency_hz, 1)} Hz, C/N0 {loudest.level_db:.0f} dB-Hz, excluded"
        )
        notes.append(PassbandRemark("tone", f"{which} {text}"))
    if share is not None:
        notes.append(
            PassbandRemark(
                "tone",
                f"not broadband noise: {100.0 * share:.0f} % of the power is tones or hum in "
                "the range",
            )
        )
    return notes


def unsteady_note(excess: float, hopeless: bool) -> PassbandRemark:
    """Returns the remark on noise that is not steady. excess: variance between parts of the
    recording, over that of steady noise. hopeless: too much for any measurement."""
    text = f"spectrum changes: parts differ {np.sqrt(excess):.1f} times as much as steady noise"
    return PassbandRemark("unsteady", f"not steady noise: {text}" if hopeless else text)


def level_notes(levels_db: NDArray[np.float64]) -> list[PassbandRemark]:
    """Returns a remark if the level changes. levels_db: shape (parts,), of successive parts."""
    change_db = float(np.ptp(levels_db))
    if change_db < LEVEL_CHANGE_DB:
        return []
    return [PassbandRemark("unsteady", f"level changes by {change_db:.1f} dB during the recording")]


def edge_notes(edges_3db: Edges, edges_6db: Edges) -> list[PassbandRemark]:
    """Returns a remark for each side on which the recording shows no edge."""
    notes = []
    for side, where in enumerate(("lower edge: near 0 Hz", "upper edge: up to the top")):
        missing = [down for down, edges in ((3, edges_3db), (6, edges_6db)) if edges[side] is None]
        if missing:
            notes.append(
                PassbandRemark("edge", f"no {where} the response is less than {missing[0]} dB down")
            )
    return notes


def range_notes(
    edges_3db: Edges, low_hz: float, high_hz: float, smoothing_hz: float, least_span_hz: float
) -> list[PassbandRemark]:
    """Returns a remark if the range reaches beyond the passband, with a range that does not."""
    inside = [edge for edge in edges_3db if edge is not None and low_hz < edge < high_hz]
    if not inside:
        return []
    text = (
        f"the response is 3 dB down at {' and '.join(map(grouped, inside))} Hz, inside "
        "the range, so the ripple includes the slope of the filter"
    )
    low, high = edges_3db
    a = low_hz if low is None else max(low_hz, 10.0 * np.ceil((low + smoothing_hz) / 10.0))
    b = high_hz if high is None else min(high_hz, 10.0 * np.floor((high - smoothing_hz) / 10.0))
    if b - a >= least_span_hz:
        text += f"; for the ripple alone: --low {a:.0f} --high {b:.0f}"
    return [PassbandRemark("range", text)]
