"""Distances that people must keep from the beam. Pure.

Far-field formula of FCC OET Bulletin 65, eq. 6, with its worst-case ground reflection (field 1.6
times, power density 2.56 times), and the limits of 47 CFR 1.1310 (from memory; at 144 MHz confirmed
by the bulletin's own table in tests/authority/test_exposure.py) and of ICNIRP 2020 for whole-body
exposure above 30 MHz. Near a dish the formula gives more than the true power density: it errs to
the safe side. A guide only: the local rules and the operator's own assessment count."""

from __future__ import annotations

import math
from typing import Literal, get_args

Rules = Literal["FCC", "ICNIRP"]
Whom = Literal["public", "occupational"]
RULES: tuple[Rules, ...] = get_args(Rules)
# Of the power density: FCC OET Bulletin 65, eq. 6.
GROUND_REFLECTION = 2.56


def limit_w_m2(frequency_hz: float, rules: Rules, whom: Whom) -> float:
    """Returns the average power density allowed. Raises ValueError below 30 MHz, where other limits
    apply."""
    mhz = frequency_hz / 1e6
    if mhz < 30.0:
        raise ValueError("only above 30 MHz")
    if rules == "FCC":  # given in mW/cm2, ten times W/m2
        low, slope, high, knee_mhz = (
            (2.0, 1.0 / 150.0, 10.0, 1500.0)
            if whom == "public"
            else (10.0, 1.0 / 30.0, 50.0, 1500.0)
        )
        return low if mhz < 300.0 else min(high, mhz * slope) if mhz < knee_mhz else high
    low, slope, high = (2.0, 1.0 / 200.0, 10.0) if whom == "public" else (10.0, 1.0 / 40.0, 50.0)
    return low if mhz < 400.0 else mhz * slope if mhz < 2000.0 else high


def safe_distance_m(
    average_power_w: float, gain_dbi: float, frequency_hz: float, rules: Rules, whom: Whom
) -> float:
    """Returns the distance in the beam beyond which the power density is below the limit: the FCC's
    with ground reflection, ICNIRP's in free space. Raises ValueError below 30 MHz.

    average_power_w: at the antenna, over the limit's averaging time."""
    reflection = GROUND_REFLECTION if rules == "FCC" else 1.0
    eirp_w = average_power_w * 10.0 ** (gain_dbi / 10.0)
    limit = limit_w_m2(frequency_hz, rules, whom)
    return math.sqrt(reflection * eirp_w / (4.0 * math.pi * limit))
