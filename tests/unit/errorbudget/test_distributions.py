"""The 95 % bound against closed forms and against draws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from moontrim.errorbudget.distributions import (
    Distribution,
    Normal,
    Sampled,
    Uniform,
    error_95,
    root_sum_square,
)


def test_95_percent_of_known_sums() -> None:
    """Normal: 1.959964 sigma (Abramowitz and Stegun, table 26.1); uniform and triangular by
    geometry."""
    assert error_95([]) == 0.0
    assert error_95([Normal(0.0), Uniform(0.0, 0.0)]) == 0.0
    assert error_95([Normal(2.0)]) == pytest.approx(2 * 1.959964, rel=1e-3)
    assert error_95([Normal(3.0), Normal(4.0)]) == pytest.approx(5 * 1.959964, rel=1e-3)
    assert error_95([Uniform(-3.0, 3.0)]) == pytest.approx(2.85, rel=1e-3)
    assert error_95([Uniform(0.0, 3.0)]) == pytest.approx(2.85, rel=1e-3)
    assert error_95([Uniform(-3.0, 0.0)]) == pytest.approx(2.85, rel=1e-3)
    assert error_95([Uniform(-2.0, -2.0)]) == pytest.approx(2.0, rel=1e-3)
    assert error_95([Uniform(-1, 1)] * 2) == pytest.approx(2 - 2 * math.sqrt(0.05), rel=1e-3)
    # One that outweighs: not 1.96 root sum squares.
    parts = [Uniform(-5.0, 5.0), Normal(0.1)]
    assert error_95(parts) == pytest.approx(4.75, rel=2e-3)
    assert 1.96 * root_sum_square(parts) > 5.6


@given(
    st.lists(
        st.one_of(
            st.builds(Normal, st.floats(0, 50)),
            st.builds(
                lambda a, b: Uniform(min(a, b), max(a, b)), st.floats(-50, 50), st.floats(-50, 50)
            ),
        ),
        min_size=1,
        max_size=6,
    )
)
@settings(max_examples=40, deadline=None)
def test_95_percent_of_any_sum(parts: list[Distribution]) -> None:
    """Against 40,000 draws: the share inside is 95 % within four standard errors."""
    rng, count = np.random.default_rng(1), 40_000
    total = np.zeros(count)
    for part in parts:
        total += (
            rng.normal(0.0, part.sigma, count)
            if isinstance(part, Normal)
            else rng.uniform(part.low, part.high, count)  # type: ignore[attr-defined]
        )
    bound = error_95(parts)
    slack = 2e-3 * bound + 1e-11  # less than that is not counted
    assert np.mean(np.abs(total) <= bound + slack) >= 0.9456
    assert np.mean(np.abs(total) <= bound - slack) <= 0.9544
    assert root_sum_square(parts) == pytest.approx(
        math.sqrt(sum(part.rms**2 for part in parts)), rel=1e-12
    )


def test_a_sampled_square_adds_up_like_the_uniforms_it_is_made_of() -> None:
    at = (np.arange(200) + 0.5) / 100 - 1.0
    square = Sampled(3.0 * at[:, None] + 1.0 * at[None, :], 4.0)
    two: list[Distribution] = [Uniform(-3.0, 3.0), Uniform(-1.0, 1.0)]
    assert error_95([square]) == pytest.approx(error_95(two), rel=2e-3)
    assert square.rms == pytest.approx(root_sum_square(two), rel=1e-4)
    more: list[Distribution] = [Normal(2.0), Uniform(0.0, 3.0)]
    assert error_95([square, *more]) == pytest.approx(error_95([*two, *more]), rel=2e-3)
