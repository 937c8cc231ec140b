"""The residual of the last ten minutes, second by second. Pure."""

from __future__ import annotations

import math
from collections import deque
from typing import Any

from moontrim.remote.published.messages import ms
from moontrim.state.snapshot import DialView, Snapshot

SECONDS = 600  # chosen; twice as many would not fit the largest packet of the broker
COARSE_FROM_HZ = 100.0  # from here on in whole hertz, which bounds the length of the message


class ResidualTrace:
    """The residuals of the last SECONDS seconds of the daemon's clock, from the last snapshot of
    each. A second without a snapshot, and a residual that is not known, are None."""

    def __init__(self) -> None:
        self._residuals_hz: deque[tuple[float | None, float | None]] = deque(maxlen=SECONDS)
        self._end_s = 0  # the second after the last one

    def add(self, now: Snapshot) -> None:
        """Takes the residuals of a snapshot."""
        second = math.floor(now.utc_s)
        missing = second - self._end_s
        residuals_hz = _residual_hz(now.rx), _residual_hz(now.tx)
        if missing < -1 or missing > SECONDS:  # the first one, or a clock that was set
            self._residuals_hz.clear()
        elif missing == -1 and self._residuals_hz:
            self._residuals_hz[-1] = residuals_hz
            return
        else:
            self._residuals_hz.extend([(None, None)] * missing)
        self._residuals_hz.append(residuals_hz)
        self._end_s = second + 1

    def message(self) -> dict[str, Any]:
        """Returns the trace message: residuals in Hz, oldest first; end_ms is the end of the last
        second."""
        return {
            "end_ms": ms(self._end_s),
            "step_s": 1,
            "rx_hz": [rx_hz for rx_hz, _ in self._residuals_hz],
            "tx_hz": [tx_hz for _, tx_hz in self._residuals_hz],
        }


def _residual_hz(view: DialView | None) -> float | None:
    """Returns a residual in Hz, with so few digits that ten minutes of them always fit the broker's
    largest packet; None if it is not known."""
    if view is None or view.residual_hz is None:
        return None
    residual_hz = view.residual_hz
    return round(residual_hz, 2) if abs(residual_hz) < COARSE_FROM_HZ else round(residual_hz)
