"""The next entry of the agenda as a line for people."""

from __future__ import annotations

import pytest

from moontrim.state.agendaview import NextEntry, next_text

T0 = 1_795_000_000.0


@pytest.mark.parametrize(
    ("ahead_s", "spread_hz", "waits_for", "text"),
    [
        (2520.0, 2.04, "", "north in 0:42, 10 GHz, spread 2.0 Hz"),
        (2519.0, 2.04, "", "north in 0:42, 10 GHz, spread 2.0 Hz"),
        (2460.0, None, "", "north in 0:41, 10 GHz"),
        (0.5, 123.4, "", "north in 0:01, 10 GHz, spread 123 Hz"),
        (0.0, 123.4, "", "north now, 10 GHz, spread 123 Hz"),
        (-60.0, None, "the end of the over", "north now, 10 GHz, waits for the end of the over"),
        (86340.0, None, "", "north in 23:59, 10 GHz"),
        (86400.0, None, "", "north in 1 d 0:00, 10 GHz"),
        (300_000.0, 0.5, "", "north in 3 d 11:20, 10 GHz, spread 0.50 Hz"),
    ],
)
def test_next(ahead_s: float, spread_hz: float | None, waits_for: str, text: str) -> None:
    entry = NextEntry("1", "north", "10 GHz", T0, T0 + 3600.0, spread_hz, waits_for)
    assert next_text(entry, T0 - ahead_s) == text


def test_a_sked_that_is_not_known_any_more() -> None:
    assert next_text(NextEntry("1", "gone", "", T0, T0 + 60.0), T0) == "gone now, band unknown"
