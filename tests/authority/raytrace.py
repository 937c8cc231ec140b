"""A ray traced through a spherically layered atmosphere: bending and excess delay by elevation.

Shares no code with the package. With n the index of refraction, r the distance from the Earth's
centre and e the ray's elevation, p = n r cos(e) is the same all along a ray (Bouguer). In terms of
w = n r sin(e), which is negative where the ray still descends, nothing is singular at the horizon:

    bending  tau = -integral of n' p  / (n^2 r (n + r n')) dw
             J   = -integral of n' w^2 / (n^2 r (n + r n')) dw
    delay    L   = J + p tau - n0 r0 sin(e_a) + r0 sin(e_a - tau)

The delay is that of a plane wave, a path in metres in excess of the straight one (own derivation,
from the action w dr / r + p d(theta), integrated by parts). Its slope by the geometric elevation
e_g = e_a - tau is r0 cos(e_g) - p: `test_troposphere_rays` holds one against the other.

Air: pressure and temperature of ISO 2533 (typed from memory), water vapour that falls off
exponentially (ITU-R P.835: 7.5 g/m3, 2 km), refractivity by ITU-R P.453-14, eq. 6 (from memory)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

EARTH_M = 6371008.8
TOP_M = 120_000.0
GRAVITY, GAS_J_KG_K, GEOPOTENTIAL_M = 9.80665, 287.05287, 6356766.0
# ISO 2533: base of each layer in geopotential metres, its temperature and lapse.
LAYERS = (
    (0.0, 288.15, -0.0065),
    (11_000.0, 216.65, 0.0),
    (20_000.0, 216.65, 0.001),
    (32_000.0, 228.65, 0.0028),
    (47_000.0, 270.65, 0.0),
    (51_000.0, 270.65, -0.0028),
    (71_000.0, 214.65, -0.002),
)
NODES, WEIGHTS = np.polynomial.legendre.leggauss(40)

Array = np.ndarray[Any, np.dtype[np.float64]]


@dataclass(frozen=True)
class Air:
    """An atmosphere, or many with arrays (N, 1) for fields: surface values, and how far they are
    from the standard. ground_n: refractivity that is added near the ground and falls off by
    ground_scale_m above ground_m."""

    pressure_hpa: Any = 1013.25
    warmer_k: Any = 0.0
    vapour_g_m3: Any = 7.5
    vapour_scale_m: Any = 2000.0
    ground_n: Any = 0.0
    ground_scale_m: float = 500.0
    ground_m: float = 0.0

    def refractivity(self, height_m: Array) -> Array:
        """n - 1 in millionths."""
        geopotential = GEOPOTENTIAL_M * height_m / (GEOPOTENTIAL_M + height_m)
        lowest, highest = float(np.min(geopotential)), float(np.max(geopotential))
        temperature, pressure = np.zeros(1), np.zeros(1)
        base_hpa = self.pressure_hpa
        for at, (base_m, base_k, lapse) in enumerate(LAYERS):
            top_m = LAYERS[at + 1][0] if at + 1 < len(LAYERS) else np.inf
            warm_k = base_k + self.warmer_k
            if at and base_m > highest:
                break
            if top_m <= lowest:
                base_hpa = base_hpa * _pressure_ratio(warm_k, lapse, top_m - base_m)
                continue
            inside = (geopotential >= base_m) | (at == 0)
            up_m = np.minimum(geopotential, top_m) - base_m
            here_hpa = base_hpa * _pressure_ratio(warm_k, lapse, up_m)
            temperature = np.where(inside, warm_k + lapse * up_m, temperature)
            pressure = np.where(inside, here_hpa, pressure)
            if np.isfinite(top_m):
                base_hpa = base_hpa * _pressure_ratio(warm_k, lapse, top_m - base_m)
        density = self.vapour_g_m3 * np.exp(-height_m / self.vapour_scale_m)
        vapour = density * temperature / 216.7
        near_ground = self.ground_n * np.exp(-(height_m - self.ground_m) / self.ground_scale_m)
        return np.asarray(
            77.6 * (pressure - vapour) / temperature
            + 72.0 * vapour / temperature
            + 3.75e5 * vapour / temperature**2
            + near_ground
        )


def _pressure_ratio(base_k: Any, lapse: float, up_m: Any) -> Any:
    if lapse == 0.0:
        return np.exp(-GRAVITY * up_m / (GAS_J_KG_K * base_k))
    return (1.0 + lapse * up_m / base_k) ** (-GRAVITY / (GAS_J_KG_K * lapse))


STANDARD = Air()


@dataclass(frozen=True)
class Ray:
    """Rays that arrive at a station, (N,), radians and metres. delay_by_elevation: of the geometric
    one, metres per radian."""

    apparent: Array
    geometric: Array
    delay_m: Array
    delay_by_elevation: Array


def _index(air: Air, radius: Array) -> tuple[Array, Array]:
    """n and its slope per metre."""
    height = radius - EARTH_M
    low, high = (air.refractivity(height + by) for by in (-0.5, 0.5))
    return 1.0 + 0.5e-6 * (low + high), 1e-6 * (high - low)


def without_ducts(air: Air, height_m: float) -> Array:
    """Which of many atmospheres (N,) trap no ray: where n r grows all the way up."""
    heights_m = height_m + np.linspace(-500.0, 4000.0, 200)
    n, _ = _index(air, EARTH_M + heights_m[np.newaxis])
    return np.asarray(np.all(np.diff(n * (EARTH_M + heights_m), axis=1) > 0.0, axis=1))


def trace(air: Air, height_m: float, apparent: Array) -> Ray:
    """Rays by apparent elevation (N,) in radians; below the horizontal only as far as they clear
    the ground."""
    apparent = np.asarray(apparent, dtype=np.float64).reshape(-1, 1)
    start = EARTH_M + height_m
    x0 = _index(air, np.full_like(apparent, start))[0] * start
    p = x0 * np.cos(apparent)
    w = x0 * np.sin(apparent)
    bending = action = np.zeros_like(apparent)
    knots = [b * GEOPOTENTIAL_M / (GEOPOTENTIAL_M - b) for b, _, _ in LAYERS[1:]]
    for knot in [k for k in (height_m + 1500.0, *knots, TOP_M) if k > height_m]:
        radius = np.full_like(apparent, EARTH_M + knot)
        end = np.sqrt((_index(air, radius)[0] * radius) ** 2 - p**2)
        at = 0.5 * (w + end) + 0.5 * (end - w) * NODES
        x = np.sqrt(at**2 + p**2)
        r = x / 1.0002
        for _ in range(4):
            n, slope = _index(air, r)
            r = r - (n * r - x) / (n + r * slope)
        n, slope = _index(air, r)
        weight = -0.5 * (end - w) * WEIGHTS * slope / (n**2 * r * (n + r * slope))
        bending = bending + np.sum(weight * p, axis=1, keepdims=True)
        action = action + np.sum(weight * at**2, axis=1, keepdims=True)
        w = end
    geometric = apparent - bending
    delay = action + p * bending - x0 * np.sin(apparent) + start * np.sin(geometric)
    by_elevation = start * np.cos(geometric) - p
    return Ray(*(part[:, 0] for part in (apparent, geometric, delay, by_elevation)))


def arriving(air: Air, height_m: float, geometric: Array) -> Ray:
    """Rays by geometric elevation (N,) in radians."""
    geometric = np.asarray(geometric, dtype=np.float64)
    # Bending falls by 0.4 of a degree per degree at most, so this converges fast.
    apparent = geometric + np.radians(0.5) * np.exp(-np.maximum(geometric, 0.0) * 15.0)
    ray = trace(air, height_m, apparent)
    for _ in range(12):
        apparent = apparent + 0.75 * (geometric - ray.geometric)
        ray = trace(air, height_m, apparent)
    assert np.max(np.abs(ray.geometric - geometric)) < 1e-9
    return ray
