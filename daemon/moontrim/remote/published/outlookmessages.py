"""The published messages on what is to come, as plain values. Pure. Units as in `messages`."""

from __future__ import annotations

from typing import Any

from moontrim.remote.published.messages import hz, instant, ms, rounded
from moontrim.state.snapshot import Outlook, Tonight


def outlook(ahead: Outlook) -> dict[str, Any]:
    """Returns the outlook message: rises, windows, the correction of the coming hour, error
    budgets."""
    return {
        "at_ms": ms(ahead.at_utc_s),
        "moon_sets_ms": instant(ahead.moon_sets_utc_s),
        "moon_rises_ms": instant(ahead.moon_rises_utc_s),
        "windows": [
            {
                "start_ms": ms(window.start_utc_s),
                "end_ms": ms(window.end_utc_s),
                "max_elevation_home_deg": round(window.max_elevation_home_deg, 1),
                "max_elevation_partner_deg": rounded(window.max_elevation_partner_deg, 1),
                "low_spread_start_ms": instant(window.low_spread_start_utc_s),
                "low_spread_end_ms": instant(window.low_spread_end_utc_s),
                "low_spread_mean_hz": rounded(window.low_spread_mean_hz, 1),
            }
            for window in ahead.windows
        ],
        "now_spread_hz": rounded(ahead.spread_hz, 2),
        "now_half_power_spread_hz": rounded(ahead.half_power_spread_hz, 2),
        "now_snr_db": rounded(ahead.snr_db, 1),
        "next_good_ms": instant(ahead.next_good_utc_s),
        "correction_ahead": {
            "start_ms": ms(ahead.ahead_start_utc_s),
            "step_s": hz(ahead.ahead_step_s),
            "rx_hz": [hz(correction_hz, 1) for correction_hz in ahead.rx_correction_hz],
            "tx_hz": [hz(correction_hz, 1) for correction_hz in ahead.tx_correction_hz],
        },
        "sun": {
            "start_ms": ms(ahead.ahead_start_utc_s),
            "step_s": hz(ahead.ahead_step_s),
            "azimuth_deg": [round(deg, 2) for deg in ahead.sun_azimuth_deg],
            "elevation_deg": [round(deg, 2) for deg in ahead.sun_elevation_deg],
        },
        "error_budget": None
        if ahead.budgets is None
        else {
            name: {
                "error_95_hz": round(budget.error_95_hz, 3),
                "largest": budget.largest,
                "advice": budget.advice,
                "unknown": list(budget.unknown),
            }
            for name, budget in zip(("rx", "tx"), ahead.budgets, strict=True)
        },
    }


def tonight(curves: Tonight | None) -> dict[str, Any]:
    """Returns the message of the present or next window as curves, with its good stretches; an
    empty one if there is no window within the search."""
    if curves is None:
        nothing: dict[str, Any] = {"start_ms": None, "step_s": None, "partner_deg": None}
        return nothing | {"home_deg": [], "spread_hz": [], "snr_db": None, "good": []}
    return {
        "start_ms": ms(curves.start_utc_s),
        "step_s": round(curves.step_s, 3),
        "home_deg": _all_rounded(curves.home_deg, 1),
        "partner_deg": _all_rounded(curves.partner_deg, 1),
        "spread_hz": _all_rounded(curves.spread_hz, 2),
        "snr_db": _all_rounded(curves.snr_db, 1),
        "good": [
            {
                "start_ms": ms(stretch.start_utc_s),
                "end_ms": ms(stretch.end_utc_s),
                "mean_spread_hz": round(stretch.mean_spread_hz, 2),
            }
            for stretch in curves.good
        ],
    }


def _all_rounded(values: tuple[float, ...] | None, digits: int) -> list[float] | None:
    return None if values is None else [round(value, digits) + 0.0 for value in values]
