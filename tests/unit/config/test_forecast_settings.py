"""The forecast's tables of the config file."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from pydantic import ValidationError

from moontrim.config.forecast import ForecastTables
from moontrim.config.settings import Settings
from moontrim.path import Site, parse_site

TEXT = """
[equipment]
min_elevation_deg = 4
horizon = [[0, 3.5], [120, 12], [300, 1]]
dish_diameter_m = 3.0
dish_efficiency = 0.6
feedline_loss_db = 0.5
polarisation = "linear"

[equipment.bands."1296 MHz"]
power_w = 200
receiver_noise_k = 40

[equipment.bands."144 MHz"]
antenna_gain_dbi = 17.5
power_w = 500
feedline_loss_db = 0

[[partners]]
name = "south"
latitude_deg = -35.5
longitude_deg = 150
height_m = 700
[partners.equipment]
antenna_gain_dbi = 30
power_w = 100
receiver_noise_k = 60

[[partners]]
name = "north"
locator = "KP20"

[forecast]
days = 14
timezone = "Europe/Vienna"
[forecast.bands."1296 MHz"]
bandwidth_hz = 50
tone_spacing_hz = 9
threshold_db = -23
max_spread_hz = 12
"""


def on_band(mhz: int) -> dict[str, Any]:
    low_hz = mhz * 10**6
    edges = {"tx_low_hz": low_hz, "tx_high_hz": low_hz + 10**6}
    return {"name": f"{mhz} MHz", "sked_hz": low_hz + 100_000} | edges


REST = {"home": {"locator": "JN88ee"}, "bands": [on_band(144), on_band(1296)]}


def tables(text: str = TEXT) -> ForecastTables:
    """As part of the whole file."""
    return Settings.model_validate(REST | tomllib.loads(text)).forecast_tables


def test_a_band_sets_its_own_over_the_common() -> None:
    equipment = tables().equipment
    high = equipment.on_band("1296 MHz").gear(1296e6)
    assert (high.power_w, high.receiver_noise_k, high.feedline_loss_db) == (200.0, 40.0, 0.5)
    assert high.linear is True
    assert high.antenna is not None
    assert high.antenna.gain_dbi == pytest.approx(29.98, abs=0.01)
    low = equipment.on_band("144 MHz").gear(144e6)
    assert (low.power_w, low.receiver_noise_k, low.feedline_loss_db) == (500.0, None, 0.0)
    assert low.antenna is not None
    assert low.antenna.gain_dbi == 17.5
    other = equipment.on_band("432 MHz").gear(432e6)
    assert other.power_w is None and other.antenna is not None
    assert equipment.on_band(None) == equipment.on_band("432 MHz")


def test_question_of_the_daemon() -> None:
    known = tables()
    home = parse_site("JN88ee", "home")
    ask = known.question(home, Site(-35.5, 150.0, 700.0), "1296 MHz", 1296e6, 1e9)
    assert ask.partner is not None and ask.partner.name == "south"
    assert ask.partner.gear.power_w == 100.0
    assert ask.home.horizon.min_elevation_deg == 4.0 and ask.home.horizon.mask[1] == (120.0, 12.0)
    assert ask.max_spread_hz == 12.0
    assert (ask.signal.bandwidth_hz, ask.signal.threshold_db) == (50.0, -23.0)
    stranger = known.question(home, parse_site("FN20", "p"), "144 MHz", 144e6, 1e9)
    assert stranger.partner is not None and stranger.partner.gear.power_w is None
    assert stranger.partner.name == "FN20" and stranger.max_spread_hz is None
    assert known.question(home, None, "144 MHz", 144e6, 1e9).partner is None


def test_bands_named_anywhere() -> None:
    assert tables().band_names() == {"1296 MHz", "144 MHz"}
    assert tables("").band_names() == set()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[equipment]\nhorizon = [[90, 1], [10, 2]]", "each above the last"),
        ("[equipment]\nhorizon = [[90, 100]]", "elevations"),
        ("[equipment]\nhorizon = [[90]]", "horizon"),
        ("[equipment]\nmin_elevation_deg = 95", "min_elevation_deg"),
        ("[equipment]\nantenna_gain_dbi = 20\ndish_diameter_m = 3", "only one of them"),
        ("[equipment]\npower_w = 0", "power_w"),
        ("[equipment]\npower = 5", "power"),
        ("[equipment.bands.x]\nreceiver_noise_k = -1", "receiver_noise_k"),
        ("[[partners]]\nname = 'self'\nlocator = 'JN88'", "other than self and home"),
        ("[[partners]]\nname = 'a'", "locator missing"),
        (
            "[[partners]]\nname = 'a'\nlocator = 'JN88'\n[[partners]]\nname = 'a'\nlocator='JN77'",
            "twice",
        ),
        ("[forecast]\ndays = 0", "days"),
    ],
)
def test_refusals(text: str, says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        tables(text)
