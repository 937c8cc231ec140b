"""How an effect changes over the places where a station may be: a surface through nine samples.

o---o---o   north      the square of a locator, or one of PROBE_M around a place without:
|       |              corners, middles of the edges and centre; between them the product of
o   o   o              a parabola along latitude and one along longitude
|       |
o---o---o   south"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from moontrim.path.site import Site
from moontrim.path.vectors import Array

# A place that has no square is tried this far to each side: large against rounding (1e-6 Hz at
# 10 GHz), small against where the effect stops being a plane.
PROBE_M = 100.0
# On a sphere of the Earth's mean radius: only the size of a square depends on it.
M_PER_DEG = 6371.0088e3 * math.pi / 180.0
# Chosen: samples of a square, each way; more change the 95 % bound by some 0.1 %.
ACROSS = 200
# From values at -1, 0 and 1 to the coefficients of the parabola through them.
_PARABOLA = np.linalg.inv(np.vander([-1.0, 0.0, 1.0], 3, increasing=True))


def nine_places(site: Site) -> list[Site]:
    """Returns centre, corners and middles of the edges of the site's square, or of one of PROBE_M
    around a place without: from south to north, and within that from west to east."""
    half_north_deg, half_east_deg = _half_deg(site)
    return [
        replace(
            site,
            latitude_deg=site.latitude_deg + north * half_north_deg,
            longitude_deg=site.longitude_deg + east * half_east_deg,
        )
        for north in (-1, 0, 1)
        for east in (-1, 0, 1)
    ]


@dataclass(frozen=True)
class Surface:
    """A product of parabolas through values (9,) at `nine_places` of a site."""

    site: Site
    values: Array

    @property
    def per_m(self) -> float:
        """Returns the steepest slope at the centre, per metre."""
        half_north_deg, half_east_deg = _half_deg(self.site)
        c = self._coefficients
        north = c[1, 0] / (half_north_deg * M_PER_DEG)
        east = c[0, 1] / (half_east_deg * M_PER_DEG * _shrunk(self.site))
        return math.hypot(north, east)

    @property
    def largest(self) -> float:
        """Returns the largest size on the square, its corners included."""
        return float(max(np.max(np.abs(self.values)), np.max(np.abs(self.everywhere()))))

    def everywhere(self) -> Array:
        """Returns values (ACROSS, ACROSS) at places spread evenly over latitude and longitude."""
        at = (np.arange(ACROSS) + 0.5) * (2.0 / ACROSS) - 1.0
        powers = np.vander(at, 3, increasing=True)
        return np.asarray(powers @ self._coefficients @ powers.T)

    @property
    def _coefficients(self) -> Array:
        return np.asarray(_PARABOLA @ self.values.reshape(3, 3) @ _PARABOLA.T)


def _half_deg(site: Site) -> tuple[float, float]:
    if site.half_height_deg > 0.0:
        return site.half_height_deg, site.half_width_deg
    return PROBE_M / M_PER_DEG, PROBE_M / (M_PER_DEG * _shrunk(site))


def _shrunk(site: Site) -> float:
    """Returns the length of a degree of longitude over one of latitude; never 0, so that poles are
    valid sites."""
    return max(math.cos(math.radians(site.latitude_deg)), 0.001)
