"""Path physics: from places and instants to delays, Doppler fractions, troposphere and spread.

Pure functions of time; errors from moontrim.errors. `solve_path` is the exact solution,
`DelayModel` the fast one for a running daemon. Names other than places are imported at their first
use, because `moontrim unkey` reads a config, which has places, and must not wait for numpy and
skyfield while a radio transmits (tests/unit/cli/test_start.py)."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from moontrim.path.site import Site, locator_of, parse_site

if TYPE_CHECKING:
    from moontrim.path.delaymodel import DelayModel, LegNow, MoonNow
    from moontrim.path.earthorientation import EarthOrientation
    from moontrim.path.ephemeris import Ephemeris
    from moontrim.path.exact import LEGS, Leg, LegName, PathSolution, solve_path
    from moontrim.path.moondirection import Look, moon_from
else:
    _MODULES = {
        "EarthOrientation": "earthorientation",
        "Ephemeris": "ephemeris",
        **dict.fromkeys(("Look", "moon_from"), "moondirection"),
        **dict.fromkeys(("DelayModel", "LegNow", "MoonNow"), "delaymodel"),
        **dict.fromkeys(("LEGS", "Leg", "LegName", "PathSolution", "solve_path"), "exact"),
    }

    def __getattr__(name: str) -> Any:
        if name not in _MODULES:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        return getattr(import_module(f"{__name__}.{_MODULES[name]}"), name)


__all__ = [
    "LEGS",
    "DelayModel",
    "EarthOrientation",
    "Ephemeris",
    "Leg",
    "LegName",
    "LegNow",
    "Look",
    "MoonNow",
    "PathSolution",
    "Site",
    "locator_of",
    "moon_from",
    "parse_site",
    "solve_path",
]
