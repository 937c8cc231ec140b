"""Steps where the ideal dial crosses the middle between two dial values, and nothing that must
not be set."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from moontrim.tuning.band import Band
from moontrim.tuning.correction import OnAir
from moontrim.tuning.steps import Plan, Ramp, coarsen, crossings, nearest, plan_stretch

BAND = Band("10 GHz", 10_368_000_000, 10_370_000_000, transverter_offset_hz=10_224_000_000)
T0 = 1_795_000_000.0
SKED_HZ = 10_368_100_000.0


def plan(
    rx_rate: float = 0.0,
    tx_rate: float = 0.0,
    band: Band = BAND,
    rx_hz: float = SKED_HZ,
    tx_band: Band | None = None,
    **changes: object,
) -> Plan:
    tx_hz = float(changes.pop("tx_hz", SKED_HZ))
    given_: dict = {
        "resolution_hz": 1,
        "split": True,
        "transmitting": False,
        "while_transmitting": "hold",
        "steps_per_s": 100.0,
    }
    given_.update(changes)
    return plan_stretch(
        band,
        tx_band or band,
        T0,
        T0 + 1,
        OnAir(rx_hz, tx_hz),
        OnAir(rx_hz + rx_rate, tx_hz + tx_rate),
        **given_,
    )


@given(
    start_hz=st.floats(1e6, 1e9),
    rate=st.floats(-20, 20),
    grid_hz=st.sampled_from([1, 2, 5, 10, 25]),
)
def test_residual_stays_within_half_a_step(start_hz: float, rate: float, grid_hz: int) -> None:
    ramp = Ramp(T0, start_hz, rate)
    steps = crossings(ramp, T0 + 1, grid_hz)
    instants = np.array([at for at, _ in steps])
    values = np.array([hz for _, hz in steps])
    utc_s = T0 + np.linspace(0, 1, 400, endpoint=False)
    dial = values[np.searchsorted(instants, utc_s, side="right") - 1]
    # T0 has a resolution of 0.24 microseconds; the dial's ramp of 1e9 Hz one of 0.12 microhertz.
    assert np.max(np.abs(dial - (start_hz + rate * (utc_s - T0)))) <= grid_hz / 2 + 2e-5
    assert all(hz % grid_hz == 0 for hz in values)
    assert np.all(np.abs(np.diff(values)) == grid_hz), "one step at a time, all the same way"


def test_instants_are_the_crossings() -> None:
    steps = crossings(Ramp(T0, 100.25, 2.0), T0 + 1, 1)
    assert [(round(at - T0, 6), hz) for at, hz in steps] == [(0.0, 100), (0.125, 101), (0.625, 102)]
    falling = crossings(Ramp(T0, 100.25, -2.0), T0 + 1, 1)
    assert [(round(at - T0, 6), hz) for at, hz in falling] == [(0.0, 100), (0.375, 99), (0.875, 98)]


@given(st.floats(1, 1e9), st.sampled_from([1, 10, 100]))
def test_nearest_is_nearest(value_hz: float, grid_hz: int) -> None:
    assert abs(nearest(value_hz, grid_hz) - value_hz) <= grid_hz / 2


def test_consecutive_seconds_join_without_an_extra_step() -> None:
    first = crossings(Ramp(T0, 100.25, 2.0), T0 + 1, 1)
    second = crossings(Ramp(T0 + 1, 102.25, 2.0), T0 + 2, 1)
    assert first[-1][1] == second[0][1]


@given(rate_rx=st.floats(-10, 10), rate_tx=st.floats(-10, 10), steps_per_s=st.floats(0.5, 50))
def test_a_slow_radio_gets_a_grid_it_can_follow(
    rate_rx: float, rate_tx: float, steps_per_s: float
) -> None:
    grid_hz = coarsen([rate_rx, rate_tx], 1, steps_per_s)
    assert (abs(rate_rx) + abs(rate_tx)) / grid_hz <= steps_per_s * (1 + 1e-9)
    if grid_hz > 1:
        assert (abs(rate_rx) + abs(rate_tx)) / (grid_hz - 1) > steps_per_s, "the finest such grid"


def test_slow_radio_gets_fewer_steps() -> None:
    full, slow = plan(rx_rate=6.0), plan(rx_rate=6.0, steps_per_s=2.0)
    assert len([s for s in full.steps if s.which == "rx"]) == 7
    assert slow.grid_hz == 3
    assert len([s for s in slow.steps if s.which == "rx"]) <= 3


def test_inverse_transverter_steps_down() -> None:
    band = Band("x", 10_368_000_000, 10_370_000_000, 10_512_000_000, "minus")
    rx = [s.dial_hz for s in plan(rx_rate=3.0, band=band).steps if s.which == "rx"]
    assert rx == [143_900_000, 143_899_999, 143_899_998, 143_899_997]


def test_transmit_outside_the_range_is_never_planned() -> None:
    for tx_hz, rate in (
        (10_367_999_999.0, 0),
        (10_370_000_001.0, 0),
        (10_369_999_999.0, 5),
        (math.nan, 0),
    ):
        result = plan(tx_hz=tx_hz, tx_rate=rate)
        assert all(step.which == "rx" for step in result.steps)
        assert "outside 10 368 000 000 to 10 370 000 000" in result.held["tx"]


def test_rounding_does_not_carry_a_transmit_dial_over_the_edge() -> None:
    band = Band("x", 144_000_000, 146_000_000, dial_resolution_hz=10)
    result = plan(band=band, rx_hz=145e6, tx_hz=145_999_996.0, resolution_hz=10)
    assert [s.dial_hz for s in result.steps if s.which == "tx"] == [146_000_000]
    band = Band("x", 144_000_000, 145_999_998, dial_resolution_hz=10)
    result = plan(band=band, rx_hz=145e6, tx_hz=145_999_996.0, resolution_hz=10)
    assert not [s for s in result.steps if s.which == "tx"]


def test_one_dial_outside_the_transmit_range_is_not_set_even_to_receive() -> None:
    result = plan(rx_hz=10_367_999_000.0, split=False)
    assert not result.steps
    assert "also transmits" in result.held["rx"]


@pytest.mark.parametrize("policy", ["hold", "mid_over"])
@pytest.mark.parametrize("split", [True, False])
def test_nothing_moves_while_keyed_unless_told_to_step(policy: str, split: bool) -> None:
    result = plan(2.0, 2.0, transmitting=True, while_transmitting=policy, split=split)
    assert not result.steps
    assert not result.steps_while_keyed


def test_stepping_while_keyed() -> None:
    result = plan(2.0, 2.0, transmitting=True, while_transmitting="step")
    assert {s.which for s in result.steps} == {"rx", "tx"}
    assert result.steps_while_keyed


def test_one_dial_follows_what_the_radio_does() -> None:
    receiving = plan(split=False, while_transmitting="step", tx_hz=SKED_HZ + 100)
    keyed = plan(split=False, while_transmitting="step", tx_hz=SKED_HZ + 100, transmitting=True)
    assert [s.dial_hz for s in receiving.steps] == [144_100_000]
    assert [s.dial_hz for s in keyed.steps] == [144_100_100]
    assert keyed.one_dial == "tx"


def test_steps_come_in_order_of_time() -> None:
    result = plan(7.3, -4.1)
    instants = [s.at_utc_s for s in result.steps]
    assert instants == sorted(instants)


CROSS = replace(BAND, transverter_offset_hz=10_306_000_000)  # another oscillator for transmitting


def test_split_segments_dials_have_offsets_of_their_own() -> None:
    """Receiving on 10 450.1 MHz, outside the range, transmitting on 10 368.1 inside it."""
    made = plan(rx_hz=10_450_100_000.0, tx_hz=SKED_HZ, tx_band=CROSS)
    assert {(step.which, step.dial_hz) for step in made.steps} == {
        ("rx", 226_100_000),
        ("tx", 62_100_000),
    }
    assert not made.held


def test_split_segments_on_one_dial_that_could_transmit_outside_is_held() -> None:
    made = plan(rx_hz=10_450_100_000.0, tx_hz=SKED_HZ, split=False)
    assert not made.steps
    assert "also transmits" in made.held["rx"]
