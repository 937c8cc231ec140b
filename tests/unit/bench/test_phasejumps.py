"""Radios that keep their phase at the steps of the dial, and those that do not."""

from __future__ import annotations

import numpy as np
import pytest

from moontrim.bench.phasejumps import FEWEST_INTERVALS, StepCoherence, step_coherence
from moontrim.path.vectors import Array

RATE_HZ = 8000.0
LENGTH_S = 60.0
STEPS_S = np.cumsum(np.random.default_rng(3).uniform(0.7, 1.4, 55))


def judged(
    jump_rad: float, cn0_db_hz: float, seed: int = 1, steps_s: Array = STEPS_S
) -> StepCoherence | None:
    """What is found in a minute with a tone of this C/N0 that begins with another phase, random up
    to +-jump_rad, after each step."""
    draw = np.random.default_rng(seed)
    at_s = np.arange(int(LENGTH_S * RATE_HZ)) / RATE_HZ
    phases = draw.uniform(-jump_rad, jump_rad, steps_s.size + 1)
    phase = 2.0 * np.pi * 1234.56 * at_s + phases[np.searchsorted(steps_s, at_s)]
    sound = draw.standard_normal(at_s.size)  # density 2 / RATE_HZ in 1 Hz
    sound += np.sqrt(2.0 * 10 ** (cn0_db_hz / 10) * 2.0 / RATE_HZ) * np.cos(phase)
    return step_coherence(
        lambda first, count: sound[first : first + count], RATE_HZ, steps_s, LENGTH_S
    )


@pytest.mark.parametrize("cn0_db_hz", [30.0, 20.0])
def test_a_phase_that_goes_on(cn0_db_hz: float) -> None:
    result = judged(0.0, cn0_db_hz)
    assert result is not None and result.can_tell and not result.jumps
    assert result.tone_hz == pytest.approx(1234.56, abs=0.1)
    assert result.across == pytest.approx(result.within, abs=0.15)


@pytest.mark.parametrize("cn0_db_hz", [30.0, 20.0])
def test_a_phase_that_jumps(cn0_db_hz: float) -> None:
    result = judged(np.pi, cn0_db_hz)
    assert result is not None and result.can_tell and result.jumps


def test_noise_alone_and_a_weak_tone_tell_nothing() -> None:
    for seed in range(5):
        for cn0_db_hz in (-30.0, 3.0):
            result = judged(np.pi, cn0_db_hz, seed)
            assert result is not None and not result.can_tell and not result.jumps


def test_too_few_steps_tell_nothing() -> None:
    assert judged(np.pi, 30.0, steps_s=STEPS_S[: FEWEST_INTERVALS - 2]) is None


def test_steps_too_close_to_each_other_are_left_out() -> None:
    close_s = np.sort(np.concatenate((STEPS_S[:30], STEPS_S[:30] + 0.1)))
    result = judged(0.0, 30.0, steps_s=close_s)
    assert result is not None and not result.jumps
    assert judged(np.pi, 30.0, steps_s=np.arange(0.3, 59.0, 0.3)) is None
