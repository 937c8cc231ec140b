"""A measured tone as plain data for JSON, and as lines of text."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from moontrim.bench.allan import AllanPoint
from moontrim.bench.tone.measure import Tone
from moontrim.formats import grouped

SOUND_CARD_PPM = 50.0  # common practice for a sound card's clock


@dataclass(frozen=True, slots=True)
class ToneReport:
    """A measured tone and what it is compared with. expected_hz: of audio. on_air_hz: the frequency
    that the Allan deviation is a fraction of; None: the audio frequency."""

    tone: Tone
    expected_hz: float | None = None
    on_air_hz: float | None = None

    @property
    def of_hz(self) -> float:
        """The frequency that the Allan deviation is a fraction of."""
        return self.tone.frequency_hz if self.on_air_hz is None else self.on_air_hz

    @property
    def allan(self) -> tuple[AllanPoint, ...]:
        """The Allan deviation; empty without a course over time."""
        return () if self.tone.track is None else self.tone.track.allan(self.of_hz)

    @property
    def difference_hz(self) -> float | None:
        """Measured minus expected frequency; None where either is not known."""
        if self.expected_hz is None or not self.tone.detected:
            return None
        return self.tone.frequency_hz - self.expected_hz


def as_plain(report: ToneReport) -> dict[str, Any]:
    """Returns plain data for JSON; numbers that are not known are null."""
    tone = report.tone

    def known(value: float) -> float | None:
        return value if tone.detected else None

    return {
        "detected": tone.detected,
        "frequency_hz": known(tone.frequency_hz),
        "uncertainty_hz": known(tone.uncertainty_hz),
        "cn0_db_hz": known(tone.cn0_db_hz),
        "drift_hz_per_s": known(tone.drift_hz_per_s),
        "drift_uncertainty_hz_per_s": known(tone.drift_uncertainty_hz_per_s),
        "spread_hz": known(tone.spread_hz),
        "expected_hz": report.expected_hz,
        "difference_hz": report.difference_hz,
        "duration_s": tone.duration_s,
        "searched_hz": [tone.low_hz, tone.high_hz],
        "allan_fraction_of": "audio" if report.on_air_hz is None else "on-air",
        "allan_fraction_of_hz": known(report.of_hz),
        "allan": [
            {"tau_s": p.tau_s, "deviation": p.deviation, "uncertainty": p.uncertainty}
            for p in report.allan
        ],
        "mains": tone.mains,
        "reason": tone.reason,
        "remarks": list(tone.remarks),
    }


def lines(report: ToneReport) -> Iterator[str]:
    """Yields the lines for the terminal."""
    tone = report.tone
    if not tone.detected:
        yield f"no tone detected: {tone.reason}"
    else:
        yield from _measured_lines(report)
    for remark in tone.remarks:
        yield f"note       {remark}"


def _measured_lines(report: ToneReport) -> Iterator[str]:
    """Yields the lines with numbers."""
    tone = report.tone
    digits = _digits(tone.uncertainty_hz)
    yield (
        f"frequency  {grouped(tone.frequency_hz, digits)} Hz of audio at the middle of "
        f"{tone.duration_s:.1f} s, uncertainty {tone.uncertainty_hz:.2g} Hz (1 sigma)"
    )
    if report.expected_hz is not None and report.difference_hz is not None:
        difference = grouped(report.difference_hz, digits, sign=True)
        yield f"difference {difference} Hz from {grouped(report.expected_hz, digits)} Hz"
    yield f"C/N0       {tone.cn0_db_hz:.1f} dB-Hz"
    drift = f"{tone.drift_hz_per_s:+.{_digits(tone.drift_uncertainty_hz_per_s)}f}"
    yield (
        f"drift      {drift} Hz/s, uncertainty {tone.drift_uncertainty_hz_per_s:.2g} Hz/s (1 sigma)"
    )
    if tone.spread_hz > 0.0:
        yield f"spread     {tone.spread_hz:.2g} Hz, -3 dB width"
    chosen = report.allan
    if chosen:
        of = "on-air" if report.on_air_hz is not None else "audio"
        each = ", ".join(f"{p.deviation:.1e} at {p.tau_s:.3g} s" for p in chosen)
        yield f"Allan      deviation {each} (of {grouped(report.of_hz)} Hz {of})"
    else:
        yield "Allan      unknown: the tone is too weak, or the recording too short"
    card_hz = SOUND_CARD_PPM * 1e-6 * tone.frequency_hz
    yield f"sound card {SOUND_CARD_PPM:.0f} ppm error = {card_hz:.2g} Hz"


def _digits(uncertainty_hz: float) -> int:
    """Returns the number of decimals that show two digits of the uncertainty, 1 to 6."""
    return max(1, min(6, 1 - math.floor(math.log10(max(uncertainty_hz, 1e-9)))))
