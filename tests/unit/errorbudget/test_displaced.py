"""The path of many displaced stations at once against the exact path of each."""

from __future__ import annotations

import numpy as np
import pytest

from moontrim.errorbudget.displaced import MOST_LATE_S, displaced_fractions
from moontrim.path import Ephemeris, Site, parse_site, solve_path

F_HZ = 10.368e9
T0 = 1.768e9
HOME, PARTNER = parse_site("JN88dd", height_m=200.0), Site(40.0, -80.0, 300.0)


@pytest.mark.parametrize("troposphere", [True, False])
@pytest.mark.parametrize("alone", [True, False])
def test_many_places_at_once_are_the_exact_path(
    ephemeris: Ephemeris, alone: bool, troposphere: bool
) -> None:
    """Against `solve_path` one by one, anywhere, the Moon up or down, also late and early: 1e-6 Hz
    at 10.368 GHz."""
    rng = np.random.default_rng(3)
    homes = [
        Site(float(np.degrees(np.arcsin(rng.uniform(-1, 1)))), float(rng.uniform(-180, 180)), h)
        for h in (0.0, 300.0, 2000.0, -100.0, 4000.0, 50.0)
    ]
    partners = None if alone else homes[::-1]
    late_s = np.array([0.0, 0.0, 61.7, -60.2, MOST_LATE_S, -0.001])
    utc_s = 1.7e9 + 12345.678
    ours = displaced_fractions(ephemeris, homes, partners, utc_s, late_s, troposphere)
    for at, home in enumerate(homes):
        partner = None if partners is None else partners[at]
        legs = solve_path(ephemeris, home, partner, utc_s + late_s[at], troposphere).legs
        for mine, leg in (
            (ours.home_to_moon, legs["home_to_moon"]),
            (ours.moon_to_home, legs["moon_to_home"]),
            (ours.partner_to_home, legs["partner_to_home"]),
            (ours.home_to_partner, legs["home_to_partner"]),
        ):
            assert abs(mine[at] - float(leg.fraction)) * F_HZ < 1e-6
        assert ours.home_air[at] == pytest.approx(
            float(legs["moon_to_home"].troposphere_fraction), abs=1e-16
        )
        both = ours.home_air[at] + ours.partner_air[at]
        assert both == pytest.approx(float(legs["partner_to_home"].troposphere_fraction), abs=1e-16)


def test_too_late_is_refused(ephemeris: Ephemeris) -> None:
    with pytest.raises(ValueError, match="late_s"):
        displaced_fractions(ephemeris, [HOME], None, T0, MOST_LATE_S + 1.0)
