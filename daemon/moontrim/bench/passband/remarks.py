"""Remarks on a measured pass band, as sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from moontrim.bench.hum import HumLine
from moontrim.bench.recording import RecordingRemarkKind

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
        text = (
            f"at {loudest.frequency_hz:.1f} Hz, {loudest.level_db:.0f} dB over the noise in 1 Hz; "
            "left out of the ripple"
        )
        if len(tones) == 1:
            notes.append(PassbandRemark("tone", f"a tone stands out {text}"))
        else:
            notes.append(
                PassbandRemark("tone", f"{len(tones)} tones stand out, the strongest {text}")
            )
    if share is not None:
        notes.append(
            PassbandRemark(
                "tone",
                f"not broadband noise: tones or hum hold {100.0 * share:.0f} % of the power in "
                "the range",
            )
        )
    return notes


def unsteady_note(excess: float, hopeless: bool) -> PassbandRemark:
    """Returns the remark on noise that is not steady. excess: variance between parts of the
    recording, over that of steady noise. hopeless: too much for any measurement."""
    text = f"the spectrum changes: its parts differ {np.sqrt(excess):.1f} times as much as noise's"
    return PassbandRemark("unsteady", f"not steady noise: {text}" if hopeless else text)


def level_notes(levels_db: NDArray[np.float64]) -> list[PassbandRemark]:
    """Returns a remark if the level changes. levels_db: shape (parts,), of successive parts."""
    change_db = float(np.ptp(levels_db))
    if change_db < LEVEL_CHANGE_DB:
        return []
    return [
        PassbandRemark("unsteady", f"the level changes by {change_db:.1f} dB in the course of it")
    ]


def edge_notes(edges_3db: Edges, edges_6db: Edges) -> list[PassbandRemark]:
    """Returns a remark for each side on which the recording shows no edge."""
    notes = []
    for side, where in enumerate(("lower edge: even near 0 Hz", "upper edge: up to the top")):
        missing = [down for down, edges in ((3, edges_3db), (6, edges_6db)) if edges[side] is None]
        if missing:
            notes.append(
                PassbandRemark("edge", f"no {where} the response is not {missing[0]} dB down")
            )
    return notes


def range_notes(
    edges_3db: Edges, low_hz: float, high_hz: float, smoothing_hz: float, least_span_hz: float
) -> list[PassbandRemark]:
    """Returns a remark if the range reaches beyond the pass band, with a range that does not."""
    inside = [edge for edge in edges_3db if edge is not None and low_hz < edge < high_hz]
    if not inside:
        return []
    text = (
        f"the response is 3 dB down at {' and '.join(f'{edge:.0f}' for edge in inside)} Hz, inside "
        "the range: what is given as ripple has the slope of the filter in it"
    )
    low, high = edges_3db
    a = low_hz if low is None else max(low_hz, 10.0 * np.ceil((low + smoothing_hz) / 10.0))
    b = high_hz if high is None else min(high_hz, 10.0 * np.floor((high - smoothing_hz) / 10.0))
    if b - a >= least_span_hz:
        text += f"; for the ripple alone: --low {a:.0f} --high {b:.0f}"
    return [PassbandRemark("range", text)]
