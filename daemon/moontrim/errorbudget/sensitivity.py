"""The effect of one unit of each error on the two dials: the exact path solved again with a change.

Sign: ideal on-air frequency with the change, minus the one without. On our own echo the receiver
follows what was sent, whatever the agreement, so there it is the echo of one and the same frequency
with the change, minus the one without."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from moontrim.errorbudget.displaced import displaced_fractions, turned
from moontrim.errorbudget.placesurface import Surface, nine_places
from moontrim.path.constants import SPEED_OF_LIGHT_M_S
from moontrim.path.ephemeris import Ephemeris
from moontrim.path.site import Site
from moontrim.path.vectors import Array
from moontrim.tuning.correction import Agreement, Fractions, on_air

# Size of the changes, either way: large against rounding (some 1e-6 Hz at 10 GHz), small against
# where their effect stops being linear.
PROBE_HEIGHT_M = 100.0
PROBE_UT1_S = 0.1
PROBE_LATE_S = 1.0

# Group delay in a plasma: 40.308 m3/s2 x electrons per m2 / (c f2) (ITU-R P.531).
PLASMA_M3_PER_S2 = 40.308
# Rate of change of the electron content along the ray in a disturbed ionosphere: 0.01 TECU/s
# (common practice).
DISTURBED_PER_M2_S = 0.01e16


@dataclass(frozen=True)
class Effects:
    """Effects on one dial, in Hz. Our own echo has one end, home, and 0 for the partner.

    on_air_hz: the ideal frequency. rate_hz_per_s: how fast it moves, and the dial with it.
    home, partner: the effect of each station's place, over the square where it may be.
    *_hz_per_m, ut1_hz_per_s, late_hz_per_s: per unit of height, of UT1, and of clock error; the
    last is the same as the rate but for our own echo.
    *_air_hz: of the whole troposphere over that end.
    *_weather_hz: of one sigma of its weather.
    *_ionosphere_hz: of a disturbed ionosphere over that end."""

    on_air_hz: float
    home: Surface
    partner: Surface
    home_height_hz_per_m: float
    partner_height_hz_per_m: float
    ut1_hz_per_s: float
    rate_hz_per_s: float
    late_hz_per_s: float
    home_air_hz: float
    partner_air_hz: float
    home_weather_hz: float
    partner_weather_hz: float
    home_ionosphere_hz: float
    partner_ionosphere_hz: float


class _Perturbation(NamedTuple):
    """One set of stations, and how late home's clock is."""

    home: Site
    partner: Site
    late_s: float = 0.0


def effects(
    ephemeris: Ephemeris,
    home: Site,
    partner: Site | None,
    utc_s: float,
    sked_hz: float,
    agreement: Agreement,
    tx_sked_hz: float | None = None,
) -> tuple[Effects, Effects]:
    """Returns the effects on the receive and on the transmit dial at POSIX seconds utc_s; sked_hz
    and tx_sked_hz as in `on_air`. Raises CoverageError outside the tables."""
    far = home if partner is None else partner
    both_ways = (1.0, -1.0)
    groups = {
        "believed": [_Perturbation(home, far)],
        "home": [_Perturbation(site, far) for site in nine_places(home)],
        "partner": [_Perturbation(home, site) for site in nine_places(far)],
        "home height": [_Perturbation(_raised(home, sign), far) for sign in both_ways],
        "partner height": [_Perturbation(home, _raised(far, sign)) for sign in both_ways],
        "ut1": [
            _Perturbation(turned(home, sign * PROBE_UT1_S), turned(far, sign * PROBE_UT1_S))
            for sign in both_ways
        ],
        "late": [_Perturbation(home, far, sign * PROBE_LATE_S) for sign in both_ways],
    }
    cases = [case for group in groups.values() for case in group]
    solved = displaced_fractions(
        ephemeris,
        [case.home for case in cases],
        None if partner is None else [case.partner for case in cases],
        utc_s,
        [case.late_s for case in cases],
    )

    echo = partner is None

    def frequencies(fractions: Fractions) -> Array:
        """Returns the ideal frequencies (2,)."""
        both = on_air(agreement, sked_hz, fractions, tx_sked_hz=tx_sked_hz, own_echo=echo)
        return np.array([both.rx_hz, both.tx_hz])

    by_leg = [getattr(solved, leg).tolist() for leg in Fractions._fields]
    rows = [Fractions(*row) for row in zip(*by_leg, strict=True)]
    at_rest = frequencies(rows[0])

    def ideal(fractions: Fractions) -> Array:
        """Returns where the dials ought to be (2,): on our own echo, at the echo of what is sent,
        which no error changes any more."""
        both = frequencies(fractions)
        if echo:
            both[0] = at_rest[1] * (1.0 + fractions.partner_to_home)
        return both

    believed = ideal(rows[0])
    changes = np.array([ideal(row) for row in rows]) - believed
    ends = np.cumsum([len(group) for group in groups.values()])
    hz = dict(zip(groups, np.split(changes, ends[:-1]), strict=True))

    def slope(name: str, probe: float) -> Array:
        """Returns Hz per unit, (2,) for the two dials."""
        return np.asarray((hz[name][0] - hz[name][1]) / (2.0 * probe))

    def effects_of_medium(home_fraction: float, partner_fraction: float) -> tuple[Array, Array]:
        """Returns the effects at home and at the partner of a medium that adds so much to the
        fraction of a passage at each end; an echo passes home's twice."""
        home_to_moon, moon_to_home, partner_to_home, home_to_partner = rows[0]
        a, b = home_fraction, partner_fraction
        whole, b = (a + b, 0.0) if partner is None else (a, b)
        at_home = Fractions(
            home_to_moon + a, moon_to_home + a, partner_to_home + whole, home_to_partner + whole
        )
        at_partner = Fractions(home_to_moon, moon_to_home, partner_to_home + b, home_to_partner + b)
        return ideal(at_home) - believed, ideal(at_partner) - believed

    plasma = PLASMA_M3_PER_S2 * DISTURBED_PER_M2_S / (SPEED_OF_LIGHT_M_S * sked_hz**2)
    home_air, partner_air = effects_of_medium(
        float(solved.home_air[0]), float(solved.partner_air[0])
    )
    home_weather, partner_weather = effects_of_medium(
        float(solved.home_weather[0]), float(solved.partner_weather[0])
    )
    home_ionosphere, partner_ionosphere = effects_of_medium(plasma, plasma)
    home_height, partner_height = (
        slope(f"{end} height", PROBE_HEIGHT_M) for end in ("home", "partner")
    )
    ut1, late = slope("ut1", PROBE_UT1_S), slope("late", PROBE_LATE_S)
    *_, later, earlier = rows
    rate = (frequencies(later) - frequencies(earlier)) / (2.0 * PROBE_LATE_S)
    rx, tx = (
        Effects(
            on_air_hz=float(at_rest[dial]),
            home=Surface(home, hz["home"][:, dial]),
            partner=Surface(far, hz["partner"][:, dial]),
            home_height_hz_per_m=float(home_height[dial]),
            partner_height_hz_per_m=float(partner_height[dial]),
            ut1_hz_per_s=float(ut1[dial]),
            rate_hz_per_s=float(rate[dial]),
            late_hz_per_s=float(late[dial]),
            home_air_hz=float(home_air[dial]),
            partner_air_hz=float(partner_air[dial]),
            home_weather_hz=float(home_weather[dial]),
            partner_weather_hz=float(partner_weather[dial]),
            home_ionosphere_hz=float(home_ionosphere[dial]),
            partner_ionosphere_hz=float(partner_ionosphere[dial]),
        )
        for dial in (0, 1)
    )
    return rx, tx


def _raised(site: Site, sign: float) -> Site:
    return replace(site, height_m=site.height_m + sign * PROBE_HEIGHT_M)
