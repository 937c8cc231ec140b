"""A station of two front ends, with a partner by name and skeds across the bands."""

from __future__ import annotations

from typing import Any

from moontrim.config.settings import settings_from
from moontrim.config.sked import Sked

BAND = {"sked_hz": 144_120_000, "tx_low_hz": 144_000_000, "tx_high_hz": 146_000_000}
TEN = {
    "name": "10 GHz",
    "sked_hz": 10_368_100_000,
    "tx_low_hz": 10_368_000_000,
    "tx_high_hz": 10_370_000_000,
    "transverter_offset_hz": 10_224_000_000,
    "while_transmitting": "mid_over",
}
RAW: dict[str, Any] = {
    "home": {"locator": "JN88"},
    "partner": {"locator": "KP20"},
    "partners": [{"name": "North", "locator": "KP20NF", "height_m": 60.0}],
    "bands": [BAND | {"name": "144 MHz"}, TEN],
    "skeds": [
        {
            "name": "north",
            "band": "10 GHz",
            "sked_hz": 10_368_120_000,
            "tx_sked_hz": 10_368_121_000,
            "partner": "NORTH",
            "agreement": "receiver",
            "over_s": 30,
        },
        {"name": "Echoes", "band": "144 MHz", "sked_hz": 144_150_000},
    ],
}
SETTINGS = settings_from(RAW, "test")
MADE = Sked(name="made", band="144 MHz", sked_hz=144_125_000, partner="FN20", note="they begin")
