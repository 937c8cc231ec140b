"""The scattering law: closed forms, points thrown on a sphere, published spans, the penalty."""

from __future__ import annotations

import numpy as np
import pytest

from moontrim.forecast.sky.scattering import echo_spectrum, law_at, spread_penalty_db

C_M_S = 299792458.0


def test_a_purely_rough_sphere_in_closed_form() -> None:
    """cos phi alone: power 2 sqrt(1 - x^2): half power at x = sqrt(3)/2, half of it all within
    0.4040 (of (x sqrt(1-x^2) + asin x) 2/pi = 1/2)."""
    spectrum = echo_spectrum(15.0, 1.0)
    assert spectrum.half_power == pytest.approx(np.sqrt(0.75), abs=1e-3)
    assert spectrum.width_holding(0.5) == pytest.approx(0.4040, abs=1e-3)


@pytest.mark.parametrize(("roughness", "diffuse"), [(4.0, 0.86), (15.0, 0.4), (69.0, 0.2)])
def test_against_points_on_a_sphere(roughness: float, diffuse: float) -> None:
    """Shares of power within widths, from a million points even over the near half of a sphere."""
    rng = np.random.default_rng(8)
    cosine = rng.uniform(0.0, 1.0, 1_000_000)
    sine = np.sqrt(1.0 - cosine**2)
    offset = np.abs(sine * np.cos(rng.uniform(0.0, 2.0 * np.pi, cosine.size)))
    specular = (cosine**4 + roughness * sine**2) ** -1.5
    power = (1 - diffuse) * specular / specular.sum() + diffuse * cosine / cosine.sum()
    spectrum = echo_spectrum(roughness, diffuse)
    for width in (0.1, 0.3, 0.6, 0.9):
        share = float(spectrum.share_within(np.array(width)))
        assert share == pytest.approx(float(power[offset < width].sum()), abs=0.005)
    assert spectrum.inside[-1] == 1.0
    assert np.all(np.diff(spectrum.power) < 0.0)


@pytest.mark.parametrize(
    ("wavelength_m", "half_power", "half_of_it", "ninety"),
    [
        (0.70, (0.11, 0.16), (0.13, 0.17), (0.61, 0.65)),
        (0.23, (0.14, 0.22), (0.16, 0.21), (0.66, 0.70)),
        (0.03, (0.26, 0.59), (0.24, 0.34), (0.73, 0.78)),
        (0.0125, (0.83, 0.87), (0.39, 0.41), (0.80, 0.82)),
    ],
)
def test_within_the_spans_computed_for_the_published_ranges(
    wavelength_m: float,
    half_power: tuple[float, float],
    half_of_it: tuple[float, float],
    ninety: tuple[float, float],
) -> None:
    """Widths by limb to limb of the same law over the ranges of roughness and diffuse share in
    Simpson and Tyler 1982, Evans and Hagfors 1966, Hagfors 1970, computed once independently."""
    spectrum = echo_spectrum(*law_at(C_M_S / wavelength_m))
    for value, (low, high) in (
        (spectrum.half_power, half_power),
        (spectrum.width_holding(0.5), half_of_it),
        (spectrum.width_holding(0.9), ninety),
    ):
        assert low - 0.005 <= value <= high + 0.005


def test_the_law_is_held_beyond_its_table() -> None:
    assert law_at(50e6) == law_at(428e6) == pytest.approx((69.0, 0.20), rel=2e-3)
    assert law_at(77e9) == pytest.approx((4.0, 0.86))


def test_penalty() -> None:
    spectrum = echo_spectrum(15.0, 0.4)
    penalty = spread_penalty_db(spectrum, np.array([0.0, 5.0, 20.0, 40.0, 200.0]), 20.0)
    assert penalty[:3] == pytest.approx([0.0, 0.0, 0.0], abs=1e-9)
    assert penalty[3] == pytest.approx(-10 * np.log10(float(spectrum.share_within(np.array(0.5)))))
    assert 0.0 < penalty[3] < penalty[4]
