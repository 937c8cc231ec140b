"""What the pre-flight list says of the clock. Pure."""

from __future__ import annotations

import math
from typing import Literal

from moontrim.config.clock import ClockSettings
from moontrim.timekeeping.reading import ClockReading

Level = Literal["ok", "note", "wrong"]
NOTICEABLE_HZ = 0.5  # half of the smallest dial step


def clock_findings(
    reading: ClockReading | None,
    settings: ClockSettings,
    rate_hz_per_s: float,
    *,
    keys: bool,
) -> list[tuple[Level, str, str]]:
    """Level, what, text. reading: of `best_reading`. rate_hz_per_s: the present Doppler rate on the
    band; not-a-number: not known. keys: is keying enabled? Then what forbids it is wrong."""
    bad: Level = "wrong" if keys else "note"
    if reading is None or not reading.synchronised:
        why = f"{reading.source}: {reading.detail}" if reading else "nothing that can be read does"
        if settings.trust == "any":
            return [("note", "clock", f"taken on your word (clock.trust is any); {why}")]
        return [
            (
                bad,
                "clock",
                f"nothing says that it is right ({why}), so there is no transmitting; install "
                "chrony, or set clock.trust = 'any' if something else keeps it right",
            )
        ]
    text = f"within {1000.0 * reading.bound_s:.3g} ms by {reading.source} ({reading.detail})"
    cost_hz = reading.bound_s * abs(rate_hz_per_s)
    if math.isfinite(cost_hz):
        text += f", {cost_hz:.2g} Hz at the present Doppler rate"
    if not reading.bound_s <= settings.max_error_s:
        text += f"; more than clock.max_error_ms {settings.max_error_ms:g}: no transmitting"
        return [(bad, "clock", text)]
    return [("note" if cost_hz > NOTICEABLE_HZ else "ok", "clock", text)]
