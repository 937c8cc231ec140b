"""Dial and air: both senses, both errors, and the limits."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moontrim.tuning.band import Band

PLUS = Band("10 GHz", 10_368_000_000, 10_370_000_000, transverter_offset_hz=10_224_000_000)
MINUS = Band("10 GHz", 10_368_000_000, 10_370_000_000, 10_512_000_000, transverter_sense="minus")


def test_plus_and_minus_sense() -> None:
    assert PLUS.dial_hz(10_368_100_000) == 144_100_000
    assert MINUS.dial_hz(10_368_100_000) == 143_900_000
    assert PLUS.dial_hz(10_368_100_010) == 144_100_010
    assert MINUS.dial_hz(10_368_100_010) == 143_899_990, "up on the air is down on the dial"
    assert PLUS.dial_per_on_air == 1.0
    assert MINUS.dial_per_on_air == -1.0


def test_a_reference_that_is_high_makes_the_dial_go_low() -> None:
    """1 ppb high at 10.368 GHz is 10.4 Hz too high on the air; the dial must make up for it."""
    band = Band("x", 1, 2, transverter_offset_hz=10_224_000_000, reference_error_ppb=1.0)
    assert band.dial_hz(10_368_100_000) == pytest.approx(144_100_000 - 10.3681, abs=1e-4)


def test_a_positive_dial_error_makes_the_dial_go_low() -> None:
    band = Band("x", 1, 2, dial_error_hz=+7.0)
    assert band.on_air_hz(144_100_000) == 144_100_007
    assert band.dial_hz(144_100_000) == 144_099_993


@given(
    on_air_hz=st.floats(1e6, 1e11),
    ppb=st.floats(-1e4, 1e4),
    error_hz=st.floats(-1e4, 1e4),
    sense=st.sampled_from(["plus", "minus"]),
)
def test_there_and_back(on_air_hz: float, ppb: float, error_hz: float, sense: str) -> None:
    band = Band("x", 1, 2, 5_000_000_000, sense, 1, error_hz, ppb)
    assert band.on_air_hz(band.dial_hz(on_air_hz)) == pytest.approx(on_air_hz, abs=1e-4)


def test_limits_include_the_edges_and_exclude_nan() -> None:
    assert PLUS.allows(10_368_000_000)
    assert PLUS.allows(10_370_000_000)
    assert not PLUS.allows(10_367_999_999.9)
    assert not PLUS.allows(math.nan)
