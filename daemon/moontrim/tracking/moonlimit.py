"""Why nothing can be worked with the Moon where it is. Pure."""

from __future__ import annotations

import numpy as np

from moontrim.forecast.question import Horizon
from moontrim.state.snapshot import MoonView

PARTNER_HORIZON_DEG = 0.0


def moon_too_low(moon: MoonView, horizon: Horizon) -> str:
    """Returns why the Moon cannot be used: below the minimum or behind an obstruction at home, or
    below the horizon at the partner; empty if it can. horizon: at home."""
    needed_deg = horizon.min_elevation_deg
    if horizon.mask:
        needed_deg = float(horizon.elevation_deg(np.array([moon.azimuth_deg]))[0])
    # Written so that not-a-number is too low.
    if not moon.elevation_deg >= needed_deg:
        return f"Moon at {moon.elevation_deg:.1f} degrees at home, minimum {needed_deg:.1f} degrees"
    far_deg = moon.partner_elevation_deg
    if far_deg is not None and not far_deg >= PARTNER_HORIZON_DEG:
        return f"Moon at {far_deg:.1f} degrees at the partner, below the horizon"
    return ""
