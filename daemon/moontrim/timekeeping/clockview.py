"""What others see of the clock."""

from __future__ import annotations

from typing import NamedTuple


class ClockView(NamedTuple):
    """The clock at an instant, for the state.

    source: empty if none can be read. detail: a phrase of the source. bound_ms: the largest error;
    None if unknown. cost_hz: what that error may cost on the band at present; None if unknown.
    doubt: why the clock inhibits transmit; empty if it does not."""

    source: str
    detail: str
    bound_ms: float | None
    cost_hz: float | None
    doubt: str
