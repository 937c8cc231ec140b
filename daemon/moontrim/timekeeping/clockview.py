"""What is shown of the clock."""

from __future__ import annotations

from typing import NamedTuple


class ClockView(NamedTuple):
    """For the state. source: empty if none can be read. bound_ms: None if unknown. cost_hz: what
    that may cost on this band at present; None if unknown. doubt: why there is no transmitting;
    empty if there may be."""

    source: str
    detail: str
    bound_ms: float | None
    cost_hz: float | None
    doubt: str
