"""Atmospheres as the weather makes them, and what they do to the shift."""

from __future__ import annotations

import numpy as np

from authority.raytrace import Air, trace, without_ducts
from moontrim.path import Site
from moontrim.path.refraction import apparent_elevation_deg
from moontrim.path.troposphere import slant_over


def weather(rng: np.random.Generator, count: int, height_m: float) -> Air:
    """Atmospheres as they come: pressure 10 hPa, temperature 15 K, water vapour a factor of 1.65 in
    density (up to 26 g/m3) and 1.2 in scale height, and near the ground a gradient of refractivity
    of some 9 per km over the first of them (all one sigma; ITU-R P.453 and P.835 give ranges of
    this size, from memory)."""

    def normal(sigma: float) -> np.ndarray:
        return rng.normal(0.0, sigma, (count, 1))

    return Air(
        pressure_hpa=1013.25 + normal(10.0),
        warmer_k=normal(15.0),
        vapour_g_m3=7.5 * np.exp(np.clip(normal(0.5), -1.25, 1.25)),
        vapour_scale_m=2000.0 * np.exp(normal(0.2)),
        ground_n=normal(10.0),
        ground_m=height_m,
    )


def shares_of_weather(
    rng: np.random.Generator, count: int, height_m: float, geometric_deg: float
) -> np.ndarray:
    """The shift in so many atmospheres over the standard one's by the package, less 1; in place of
    the few that have a duct, which traps rays, others of them come once more."""
    # High up the weather hardly matters, and few atmospheres serve as well.
    different = max(count, 200) if geometric_deg < 10.0 else 600
    air, geometric = weather(rng, different, height_m), np.radians(geometric_deg)
    start = np.radians(apparent_elevation_deg(geometric_deg, height_m))
    apparent = np.full(different, start)
    with np.errstate(all="ignore"):
        for _ in range(5):
            ray = trace(air, height_m, apparent)
            apparent = apparent + 0.75 * (geometric - ray.geometric)
        ray = trace(air, height_m, apparent)
    arrives = without_ducts(air, height_m) & (np.abs(ray.geometric - geometric) < 1e-5)
    assert np.mean(arrives) > 0.9
    slant = slant_over(Site(45.0, 0.0, height_m))
    by_elevation = float(slant.delay_m(float(np.sin(geometric)))[1]) * np.cos(geometric)
    shares = ray.delay_by_elevation[arrives] / by_elevation - 1.0
    return np.resize(shares, count)
