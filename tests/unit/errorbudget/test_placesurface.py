"""The surface through nine places against the exact path from all over the square."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from moontrim.errorbudget.displaced import displaced_fractions
from moontrim.errorbudget.placesurface import Surface, nine_places
from moontrim.path import Ephemeris, Site, parse_site

F_HZ = 10.368e9
T0 = 1.768e9
HOME, PARTNER = parse_site("JN88dd", height_m=200.0), Site(40.0, -80.0, 300.0)


@pytest.mark.parametrize(
    ("locator", "tolerance_hz"),
    [("JN88", 0.05), ("JN88dd", 1e-4), ("AA00", 0.5), ("JN88dd55", 1e-5)],
)
def test_nine_places_tell_the_whole_square(
    ephemeris: Ephemeris, locator: str, tolerance_hz: float
) -> None:
    """The surface through nine places against the full solution at a grid of 21 by 21, when the
    effect is large (hundreds of Hz over a square of 4 characters at 10.368 GHz)."""
    site = parse_site(locator)
    every = [
        replace(
            site,
            latitude_deg=site.latitude_deg + v * site.half_height_deg,
            longitude_deg=site.longitude_deg + u * site.half_width_deg,
        )
        for v in (np.arange(20) + 0.5) / 10.0 - 1.0
        for u in (np.arange(20) + 0.5) / 10.0 - 1.0
    ]
    full = (
        displaced_fractions(ephemeris, [site, *nine_places(site), *every], None, T0).partner_to_home
        * F_HZ
    )
    surface = Surface(site, full[1:10] - full[0])
    assert surface.largest == pytest.approx(np.max(np.abs(full[1:] - full[0])), rel=1e-3)
    coarse = surface.everywhere().reshape(20, 10, 20, 10).mean(axis=(1, 3)).ravel()
    assert np.max(np.abs(coarse - (full[10:] - full[0]))) < tolerance_hz
    assert surface.largest > 50 * tolerance_hz
