"""Trims in words, beside the verdict wherever it is shown."""

from __future__ import annotations

import pytest

from moontrim.state.snapshot import Snapshot, Tracking, trim_text
from support.journals import snapshot


@pytest.mark.parametrize(
    ("rx_hz", "tx_hz", "text"),
    [
        (0.0, 0.0, ""),
        (50.0, 50.0, "trim +50 Hz"),
        (-0.5, -0.5, "trim -0.5 Hz"),
        (99_999.0, 99_999.0, "trim +99 999 Hz"),
        (50.0, 0.0, "trim +50 Hz receive"),
        (0.0, -1234.5, "trim -1 234.5 Hz transmit"),
        (50.0, -20.0, "trim +50 Hz receive, -20 Hz transmit"),
    ],
)
def test_trims_as_text(rx_hz: float, tx_hz: float, text: str) -> None:
    assert trim_text(rx_hz, tx_hz) == text


@pytest.mark.parametrize("tracking", list(Tracking))
def test_a_trim_stands_beside_what_is_as_good_as_on_frequency(tracking: Tracking) -> None:
    plain: Snapshot = snapshot(0, 1)._replace(tracking=tracking)
    trimmed = plain._replace(rx_trim_hz=50.0, tx_trim_hz=50.0)
    assert plain.verdict == tracking
    good = tracking in (Tracking.ON_FREQUENCY, Tracking.HELD_KEYED)
    assert trimmed.verdict == (f"{tracking}, trim +50 Hz" if good else tracking)
