"""What the scenes of a whole daemon that keys share: outputs, and a Moon that is high."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from moontrim.path import Ephemeris, moon_from
from moontrim.rehearsal.rehearsal import embedded_settings
from support.stage import T0

KEYING: dict[str, Any] = {
    "enabled": True,
    "outputs": [
        {"kind": "simulated", "name": "waveguide switch", "settle_ms": 800, "release_ms": 50},
        {"kind": "simulated", "name": "sequencer", "settle_ms": 100, "release_ms": 50},
        {"kind": "radio", "release_ms": 20},
    ],
}
SETTLES_S = 0.9


def moon_high(ephemeris: Ephemeris) -> float:
    """Returns an instant with the Moon above 30 degrees at home, POSIX s."""
    return moon_at(ephemeris, lambda deg, _: deg > 30.0)


def moon_at(ephemeris: Ephemeris, wanted: Callable[[float, float], bool]) -> float:
    """Returns the first minute with such an elevation and rate, in degrees and degrees a minute."""
    utc_s = T0 + 60.0 * np.arange(2880)
    elevation_deg = moon_from(ephemeris, embedded_settings().home.site(), utc_s).elevation_deg
    change_deg = np.gradient(elevation_deg)
    return next(
        float(t)
        for t, deg, change in zip(utc_s, elevation_deg, change_deg, strict=True)
        if wanted(float(deg), float(change))
    )
