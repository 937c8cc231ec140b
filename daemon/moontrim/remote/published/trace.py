"""The residual of the last ten minutes, second by second."""

from __future__ import annotations

import math
from collections import deque
from typing import Any

from moontrim.remote.published.messages import ms
from moontrim.state.snapshot import DialView, Snapshot

SECONDS = 600
COARSE_FROM_HZ = 100.0


class ResidualTrace:
    """Told every snapshot, it keeps the last one of each second of the daemon's clock. A second
    nothing was seen in, and a residual that is not known, are None."""

    def __init__(self) -> None:
        self._seen: deque[tuple[float | None, float | None]] = deque(maxlen=SECONDS)
        self._end_s = 0  # the second after the last one kept

    def add(self, now: Snapshot) -> None:
        second = math.floor(now.utc_s)
        missing = second - self._end_s
        seen = _residual_hz(now.rx), _residual_hz(now.tx)
        if missing < -1 or missing > SECONDS:  # the first one, or a clock that was set
            self._seen.clear()
        elif missing == -1 and self._seen:
            self._seen[-1] = seen
            return
        else:
            self._seen.extend([(None, None)] * missing)
        self._seen.append(seen)
        self._end_s = second + 1

    def message(self) -> dict[str, Any]:
        """end_ms: the end of the last second; oldest first."""
        return {
            "end_ms": ms(self._end_s),
            "step_s": 1,
            "rx_hz": [rx for rx, _ in self._seen],
            "tx_hz": [tx for _, tx in self._seen],
        }


def _residual_hz(view: DialView | None) -> float | None:
    """Short enough that ten minutes always fit the broker's largest packet."""
    if view is None or view.residual_hz is None:
        return None
    residual_hz = view.residual_hz
    return round(residual_hz, 2) if abs(residual_hz) < COARSE_FROM_HZ else round(residual_hz)
