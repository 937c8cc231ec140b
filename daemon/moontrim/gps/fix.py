"""Fixes as values, and what follows from them for home: its distance, what that costs in Hz, and
whether a fix may be used as home. Pure.

Heights are above the WGS84 ellipsoid, as everywhere in moontrim. Receivers mostly show heights
above mean sea level, which differ by up to a hundred metres."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from moontrim.errors import InputError, MoontrimError
from moontrim.path.site import HEIGHT_LIMITS_M, Site, locator_of

NULL_ISLAND_DEG = 1e-4  # 0, 0 within 11 m: what a receiver without a fix reports
STEADY_FIXES = 5  # chosen: so many seconds of fixes that agree, at one a second
STEADY_M = 25.0  # chosen: fixes further apart than that, about their 95 % error, do not agree
WORST_ERROR_M = 100.0  # chosen: costs 0.25 Hz at 10 GHz, from the rotation of the Earth
ASSUMED_ERROR_M = 20.0  # 95 %, of a receiver that does not report its error (common practice)
AT_LEAST_M = 30.0  # chosen: a smaller distance is no move, since fixes wander by so much


class GpsGarbledError(MoontrimError):
    """A receiver, or gpsd, sent bytes that cannot be a valid report."""


@dataclass(frozen=True, slots=True)
class Position:
    """The position that a receiver reports: WGS84 degrees, north and east positive.

    height_m: above the ellipsoid; None in a two-dimensional fix. error_m: horizontal, about 95 %;
    None if not reported. quality: a word or two for a person."""

    latitude_deg: float
    longitude_deg: float
    height_m: float | None
    error_m: float | None
    quality: str

    @property
    def locator(self) -> str:
        """The locator of 10 characters: a square of about 20 m by 40 m."""
        return locator_of(Site(self.latitude_deg, self.longitude_deg), 10)

    def site(self, fallback_height_m: float = 0.0) -> Site:
        """Returns the position as the path physics takes it."""
        height_m = fallback_height_m if self.height_m is None else self.height_m
        return Site(self.latitude_deg, self.longitude_deg, height_m)


@dataclass(frozen=True, slots=True)
class Fix:
    """A position with two times in POSIX seconds.

    gps_utc_s: of the position, by the receiver; None if it does not report the date.
    arrived_utc_s: of the report's arrival, by the machine's clock."""

    position: Position
    gps_utc_s: float | None
    arrived_utc_s: float


@dataclass(frozen=True, slots=True)
class Move:
    """The distance of a position from home, in metres and in Hz of Doppler.

    significant: it is more than fixes wander, and costs more than the budget allows. text: a
    sentence for a person."""

    distance_m: float
    cost_hz: float
    significant: bool
    text: str


def checked_position(
    latitude_deg: float,
    longitude_deg: float,
    height_m: float | None,
    error_m: float | None,
    quality: str,
) -> Position | None:
    """Returns the position if it is plausible, None for 0, 0 (a receiver without a fix). A height
    or error out of range is taken as unknown. Raises GpsGarbledError for coordinates that are not
    numbers or out of range."""
    # Written so that not-a-number fails.
    if not (abs(latitude_deg) <= 90.0 and abs(longitude_deg) <= 180.0):
        raise GpsGarbledError(f"{latitude_deg}, {longitude_deg} is no place")
    if abs(latitude_deg) < NULL_ISLAND_DEG and abs(longitude_deg) < NULL_ISLAND_DEG:
        return None
    if height_m is not None and not HEIGHT_LIMITS_M[0] <= height_m <= HEIGHT_LIMITS_M[1]:
        height_m = None
    if error_m is not None and not 0.0 < error_m < 1e7:
        error_m = None
    return Position(latitude_deg, longitude_deg, height_m, error_m, quality)


def distance_m(home: Site, position: Position) -> float:
    """Returns the straight-line distance in metres. A position without a height gets home's."""
    site = position.site(home.height_m)
    return 1000.0 * float(np.linalg.norm(site.itrs_km() - home.itrs_km()))


def move_from(
    home: Site, position: Position, cost_hz: Callable[[Site, Site], float], budget_hz: float
) -> Move:
    """Returns how far a position is from home.

    cost_hz: returns the present difference in Doppler between two places, in Hz on the band.
    budget_hz: a smaller difference is not significant."""
    far_m = distance_m(home, position)
    costs_hz = abs(cost_hz(home, position.site(home.height_m)))
    wander_m = max(AT_LEAST_M, position.error_m or ASSUMED_ERROR_M)
    # Written so that a cost that is not a number counts.
    significant = far_m > wander_m and not costs_hz <= budget_hz
    text = (
        f"the GPS receiver is {far_m:.0f} m from home, {costs_hz:.2g} Hz at present; "
        f"it is at {position.locator}"
    )
    return Move(far_m, costs_hz, significant, text)


def home_from(position: Position) -> Site:
    """Returns the position as the site of home. Raises InputError, with the reason, if it is not
    good enough."""
    if position.height_m is None:
        raise InputError("gps", position.quality, problem="no fix in three dimensions yet")
    error_m = ASSUMED_ERROR_M if position.error_m is None else position.error_m
    if not error_m <= WORST_ERROR_M:
        problem = f"fix within {error_m:.0f} m only; at most {WORST_ERROR_M:.0f} m accepted"
        raise InputError("gps", error_m, problem=problem)
    return position.site()


def worth_moving(home: Site, new: Site) -> bool:
    """Returns whether a new place is further from home than fixes wander, so that home does not
    wander with them."""
    return 1000.0 * float(np.linalg.norm(new.itrs_km() - home.itrs_km())) > AT_LEAST_M


class SteadyHome:
    """Finds home from fixes that agree. A single fix may come from a reflection off a hill, and the
    elevation of the Moon at home decides whether there may be RF."""

    def __init__(self) -> None:
        self._sites: deque[Site] = deque(maxlen=STEADY_FIXES)

    def add(self, position: Position) -> Site | None:
        """Adds a fix. Returns the mean of the last `STEADY_FIXES` if they agree, else None."""
        try:
            self._sites.append(home_from(position))
        except InputError:
            self._sites.clear()
            return None
        places_km = np.array([site.itrs_km() for site in self._sites])
        spread_m = 1000.0 * np.linalg.norm(places_km - places_km[-1], axis=1).max()
        if spread_m > STEADY_M:
            self._sites = deque([self._sites[-1]], maxlen=STEADY_FIXES)
        if len(self._sites) < STEADY_FIXES:
            return None
        last = self._sites[-1]
        return Site(
            _mean([site.latitude_deg for site in self._sites]),
            # At the 180 degree meridian they may be on both sides of it.
            _wrapped(
                last.longitude_deg
                + _mean([_wrapped(s.longitude_deg - last.longitude_deg) for s in self._sites])
            ),
            _mean([site.height_m for site in self._sites]),
        )


def _mean(values: list[float]) -> float:
    return math.fsum(values) / len(values)


def _wrapped(longitude_deg: float) -> float:
    return (longitude_deg + 180.0) % 360.0 - 180.0
