"""Path physics: from places and instants to delays, Doppler fractions, troposphere and spread.

Pure functions of time; errors from moontrim.errors. `solve_path` is the exact answer, `DelayModel`
the fast one for a running daemon, `path_report` one instant in Hz as plain data.
"""

from __future__ import annotations

from moontrim.path.earthtable import EarthRotation
from moontrim.path.ephemeris import Ephemeris
from moontrim.path.look import Look, moon_from
from moontrim.path.model import DelayModel, LegNow, MoonNow, PathNow
from moontrim.path.report import path_report, ut1_sensitivity
from moontrim.path.site import Site, locator_of, parse_site
from moontrim.path.solution import LEGS, Leg, LegName, PathSolution, solve_path

__all__ = [
    "LEGS",
    "DelayModel",
    "EarthRotation",
    "Ephemeris",
    "Leg",
    "LegName",
    "LegNow",
    "Look",
    "MoonNow",
    "PathNow",
    "PathSolution",
    "Site",
    "locator_of",
    "moon_from",
    "parse_site",
    "path_report",
    "solve_path",
    "ut1_sensitivity",
]
