"""The error budget of a running session, from the uncertainties that its config states."""

from __future__ import annotations

import math
from typing import Any

import pytest

from moontrim.config.settings import settings_from
from moontrim.errorbudget.budget import error_budget
from moontrim.errorbudget.uncertainties import PlaceUncertainty
from moontrim.errors import InputError
from moontrim.outlook.budget import budget_now, uncertainties_of
from moontrim.path import Ephemeris, Site, parse_site
from moontrim.session.session import first_session

F_HZ = 10.368e9
T0 = 1.768e9
HOME, PARTNER = parse_site("JN88dd", height_m=200.0), Site(40.0, -80.0, 300.0)


RAW: dict[str, Any] = {
    "home": {"locator": "JN88dd", "height_m": 200.0, "height_uncertainty_m": 20.0},
    "partner": {"latitude_deg": 60.0, "longitude_deg": 25.0, "position_uncertainty_m": 5.0},
    "bands": [
        {
            "name": "10 GHz",
            "sked_hz": 10_368_100_000,
            "tx_low_hz": 10_368_000_000,
            "tx_high_hz": 10_370_000_000,
            "transverter_offset_hz": 10_224_000_000,
            "while_transmitting": "mid_over",
            "over_s": 30.0,
        },
        {
            "name": "144 MHz",
            "sked_hz": 144_120_000,
            "tx_low_hz": 144_000_000,
            "tx_high_hz": 146_000_000,
            "dial_resolution_hz": 10,
            "while_transmitting": "step",
        },
    ],
    "radio": {"max_steps_per_s": 4.0},
}


def test_uncertainties_of_a_session() -> None:
    config = settings_from(RAW, "test")
    session = first_session(config)
    uncertainties = uncertainties_of(config, session, 0.02)
    assert uncertainties.home == PlaceUncertainty(None, 20.0)
    assert uncertainties.partner == PlaceUncertainty(5.0, None)
    assert (uncertainties.clock_s, uncertainties.reference_ppb, uncertainties.transverter_hz) == (
        0.02,
        None,
        None,
    )
    assert (uncertainties.dial_resolution_hz, uncertainties.step_interval_s) == (1.0, 0.25)
    assert (uncertainties.over_s, uncertainties.over_centred) == (30.0, True)
    chosen = session.with_band_choices(config, over_s=240.0)  # as a sked does
    assert uncertainties_of(config, chosen, 0.02).over_s == 240.0
    low = uncertainties_of(config, session.model_copy(update={"band": "144 MHz"}), None)
    assert low.transverter_hz == 0.0, "there is none"
    assert (low.clock_s, low.dial_resolution_hz, low.over_s) == (None, 10.0, 0.0)
    called = session.model_copy(update={"partner": "KP20nf"})
    assert uncertainties_of(config, called, None).partner == PlaceUncertainty(), (
        "another place than the config's"
    )
    slow = uncertainties_of(config, session, None, dial_resolution_hz=20.0, steps_per_s=0.5)
    assert (slow.dial_resolution_hz, slow.step_interval_s) == (20.0, 2.0)


def test_budget_of_a_session(ephemeris: Ephemeris) -> None:
    config = settings_from(RAW, "test")
    session = first_session(config).model_copy(update={"agreement": "home"})
    result = budget_now(config, session, ephemeris, T0, 0.02)
    expected = error_budget(
        ephemeris,
        config.home.site(),
        session.partner_site(config),
        T0,
        10_368_100_000.0,
        "home",
        uncertainties_of(config, session, 0.02),
    )
    assert result == expected
    rx, tx = result
    assert rx.largest == "home position"
    assert "held dial" in {one.name for one in tx.causes}
    assert rx.unknown == ("partner height", "reference", "transverter")
    alone = session.model_copy(update={"partner": "self"})
    assert "partner position" not in {
        one.name for one in budget_now(config, alone, ephemeris, T0, None)[0].causes
    }


@pytest.mark.parametrize("key", ["position_uncertainty_m", "height_uncertainty_m"])
@pytest.mark.parametrize("value", [-1.0, math.nan, 1e9])
def test_impossible_accuracies_are_named(key: str, value: float) -> None:
    raw = {**RAW, "home": {"locator": "JN88", key: value}}
    with pytest.raises(InputError, match=key):
        settings_from(raw, "test")
