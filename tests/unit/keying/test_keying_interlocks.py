"""Interlocks: each condition alone forbids, what is not known forbids, and nothing else does."""

import math
from dataclasses import fields, replace
from typing import Any

import pytest

from moontrim.config.keying import KeyingSettings
from moontrim.keying.interlocks import STALE_S, Conditions, hindrances

SETTINGS = KeyingSettings()
GOOD = Conditions(
    moon_azimuth_deg=180.0,
    moon_elevation_deg=30.0,
    min_tx_elevation_deg=5.0,
    horizon_deg=2.0,
    on_frequency=True,
    tracking="on frequency",
    within_allowed_range=True,
    drive_within_ceiling=True,
    radio_answers=True,
    tx_allowed=True,
    changing_band=False,
    clock_doubt="",
    home_doubt="",
    front_end_doubt="",
    age_s=0.4,
    cannot_key="",
    guard_doubt="",
)


def test_nothing_against_it() -> None:
    assert hindrances(GOOD, SETTINGS) == ()
    assert hindrances(replace(GOOD, drive_within_ceiling=None), SETTINGS) == ()


def test_no_condition_has_a_default() -> None:
    """One that is forgotten must not let RF through."""
    with pytest.raises(TypeError):
        Conditions()  # type: ignore[call-arg]
    for field in fields(Conditions):
        given_ = {f.name: getattr(GOOD, f.name) for f in fields(Conditions) if f is not field}
        with pytest.raises(TypeError):
            Conditions(**given_)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"tx_allowed": False}, "transmit is inhibited"),
        ({"radio_answers": False}, "no contact with radio"),
        ({"changing_band": True}, "band change in progress"),
        ({"moon_elevation_deg": None}, "Moon position unknown"),
        ({"moon_azimuth_deg": None}, "Moon position unknown"),
        ({"moon_elevation_deg": 4.999}, "RF exposure"),
        ({"min_tx_elevation_deg": 30.1}, "below the minimum of 30.1"),
        ({"min_tx_elevation_deg": math.nan}, "RF exposure"),
        ({"front_end_doubt": "transverter not connected"}, "transverter not connected"),
        ({"moon_elevation_deg": math.nan}, "RF exposure"),
        ({"horizon_deg": 20.0, "moon_elevation_deg": 19.9}, "behind an obstruction"),
        ({"horizon_deg": math.nan}, "behind an obstruction"),
        ({"on_frequency": False, "tracking": "readback mismatch"}, "frequency: readback mismatch"),
        ({"within_allowed_range": False}, "outside the allowed range"),
        ({"drive_within_ceiling": False}, "drive"),
        ({"clock_doubt": "clock never set"}, "clock never set"),
        ({"guard_doubt": "the guard process has ended"}, "guard process has ended"),
        ({"age_s": STALE_S + 0.1}, "no update from the tracker"),
        ({"age_s": -60.0}, "no update from the tracker"),
        ({"age_s": math.nan}, "no update from the tracker"),
    ],
)
def test_each_alone_forbids(change: dict[str, Any], reason: str) -> None:
    (only,) = hindrances(replace(GOOD, **change), SETTINGS)
    assert reason in only


@pytest.mark.parametrize("over_s", [90.0, 1e9, math.nan])
def test_the_over_has_a_limit(over_s: float) -> None:
    (only,) = hindrances(GOOD, SETTINGS, over_s)
    assert "limit of 90 s" in only
    assert hindrances(GOOD, SETTINGS, 89.999) == ()


def test_every_reason_is_given() -> None:
    worst = replace(GOOD, tx_allowed=False, radio_answers=False, moon_elevation_deg=-3.0, age_s=9.0)
    assert len(hindrances(worst, SETTINGS)) == 4
