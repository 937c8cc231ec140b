"""Measuring a tone: accuracy on a clean one, strength, rates, mains, what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from moontrim.bench.recording import Recording
from moontrim.bench.tone.measure import measure
from moontrim.errors import InputError
from support.tones import NOISE_RMS, recording


@pytest.mark.parametrize(
    ("rate_hz", "frequency_hz"),
    [(4000, 433.217), (11_025, 2711.06), (48_000, 1234.567), (192_000, 987.6543)],
)
def test_a_clean_tone_to_a_hundredth_of_a_hertz(rate_hz: int, frequency_hz: float) -> None:
    made = recording(np.random.default_rng(1), 5.0, rate_hz, frequency_hz, energy_db=50.0)
    tone = measure(made)
    assert tone.detected
    assert abs(tone.frequency_hz - frequency_hz) < 0.01
    assert abs(tone.frequency_hz - frequency_hz) < 5.0 * tone.uncertainty_hz < 0.01
    assert tone.cn0_db_hz == pytest.approx(50.0 - 10.0 * np.log10(5.0), abs=1.5)
    assert tone.spread_hz == 0.0


def test_a_tone_without_any_noise() -> None:
    t = np.arange(80_000) / 8000.0
    tone = measure(Recording(0.5 * np.sin(2.0 * np.pi * 1203.4 * t), 8000.0, ()))
    assert tone.detected
    assert abs(tone.frequency_hz - 1203.4) < 1e-3


def test_ten_decibels_under_the_noise_of_one_hertz() -> None:
    """-10 dB in 1 Hz for 400 s is 16 dB of energy over the noise density."""
    made = recording(np.random.default_rng(5), 400.0, 4000, 1234.5, cn0_db_hz=-10.0)
    tone = measure(made, near_hz=1250.0)
    assert tone.detected
    assert abs(tone.frequency_hz - 1234.5) < 5.0 * tone.uncertainty_hz < 0.002
    assert tone.cn0_db_hz == pytest.approx(-10.0, abs=2.0)


def test_drift() -> None:
    made = recording(
        np.random.default_rng(2), 30.0, 8000, 1500.3, cn0_db_hz=15.0, drift_hz_per_s=0.1
    )
    tone = measure(made)
    assert tone.detected
    assert abs(tone.drift_hz_per_s - 0.1) < 5.0 * tone.drift_uncertainty_hz_per_s
    assert abs(tone.frequency_hz - 1500.3) < 5.0 * tone.uncertainty_hz
    assert tone.track is not None
    slope = np.polyfit(tone.track.at_s, tone.track.frequency_hz, 1)[0]
    assert slope == pytest.approx(0.1, abs=0.01)


def test_a_strong_tone_that_drifts_fast() -> None:
    made = recording(
        np.random.default_rng(4), 60.0, 8000, 1500.0, cn0_db_hz=25.0, drift_hz_per_s=1.9
    )
    tone = measure(made)
    assert tone.detected
    assert tone.drift_hz_per_s == pytest.approx(1.9, abs=0.01)


def test_a_spread_tone_is_called_one() -> None:
    made = recording(np.random.default_rng(6), 60.0, 6000, 811.0, cn0_db_hz=12.0, spread_hz=1.0)
    tone = measure(made)
    assert tone.detected
    assert tone.spread_hz == pytest.approx(2.35, rel=0.4)
    assert abs(tone.frequency_hz - 811.0) < 4.0 * tone.uncertainty_hz < 1.5


def test_white_phase_noise_gives_the_allan_deviation_it_should() -> None:
    """The noise of the measurement alone: sqrt(3) x / tau, NIST SP 1065 on white phase noise."""
    made = recording(np.random.default_rng(8), 60.0, 8000, 1010.7, cn0_db_hz=25.0)
    track = measure(made).track
    assert track is not None
    assert track.phase_turns is not None
    for point in track.allan(1010.7)[:4]:
        expected = track.noise_deviation(point.tau_s, 1010.7)
        assert point.deviation == pytest.approx(expected, rel=0.2)


def _with_hum(made: Recording, fundamental_hz: float, cn0_db_hz: float) -> Recording:
    t = np.arange(made.samples.size) / made.rate_hz
    power = 10.0 ** (cn0_db_hz / 10.0) * NOISE_RMS**2 * 2.0 / made.rate_hz
    hum = np.zeros(t.size)
    for order in range(1, 25):
        hum += np.sqrt(2.0 * power) * np.cos(2.0 * np.pi * order * fundamental_hz * t + order)
    return replace(made, samples=made.samples + hum)


def test_a_tone_is_found_beside_stronger_hum() -> None:
    made = recording(np.random.default_rng(9), 20.0, 8000, 1017.3, cn0_db_hz=10.0)
    tone = measure(_with_hum(made, 50.02, 25.0))
    assert tone.detected
    assert abs(tone.frequency_hz - 1017.3) < 5.0 * tone.uncertainty_hz
    assert tone.mains == ""


def test_hum_alone_is_no_tone_and_is_named() -> None:
    made = recording(np.random.default_rng(10), 20.0, 8000, 1017.3, cn0_db_hz=-60.0)
    tone = measure(_with_hum(made, 59.98, 25.0))
    assert not tone.detected
    assert "harmonics of the mains" in tone.reason


def test_a_lone_tone_on_a_harmonic_is_found_with_a_remark() -> None:
    made = recording(np.random.default_rng(11), 10.0, 8000, 1000.0, cn0_db_hz=20.0)
    tone = measure(made)
    assert tone.detected
    assert tone.mains == "20 × 50 Hz"
    assert "move the dial" in tone.remarks[-1]


def test_silence_is_no_tone() -> None:
    tone = measure(Recording(np.zeros(8000), 8000.0, ()))
    assert not tone.detected
    assert "silent" in tone.reason


@pytest.mark.parametrize(
    ("near_hz", "within_hz", "field"),
    [
        (-5.0, None, "--near"),
        (3900.0, None, "--near"),
        (float("nan"), None, "--near"),
        (1000.0, -1.0, "--within"),
        (1000.0, 0.0, "--within"),
        (None, 20.0, "--within"),
    ],
)
def test_places_that_cannot_be_looked_at(
    near_hz: float | None, within_hz: float | None, field: str
) -> None:
    made = Recording(np.ones(8000), 8000.0, ())
    with pytest.raises(InputError) as caught:
        measure(made, near_hz, within_hz)
    assert caught.value.field == field


def test_ten_samples_are_too_few() -> None:
    with pytest.raises(InputError, match="10 samples"):
        measure(Recording(np.ones(10), 8000.0, ()))


def test_samples_that_are_not_numbers() -> None:
    samples = np.ones(8000)
    samples[100] = np.nan
    with pytest.raises(InputError, match="finite"):
        measure(Recording(samples, 8000.0, ()))
