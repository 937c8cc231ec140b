"""A fix as a value, and what follows from it for home: how far off it is, what that costs, and
whether it may be used. Pure.

Heights are above the WGS84 ellipsoid, as everywhere here; receivers mostly show heights above mean
sea level, which differ by up to a hundred metres."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from moontrim.errors import InputError, MoontrimError
from moontrim.path.site import HEIGHT_LIMITS_M, Site, locator_of

NULL_ISLAND_DEG = 1e-4  # 0, 0 within 11 m: what a receiver says that knows nothing
STEADY_FIXES = 5
STEADY_M = 25.0  # further apart than that, fixes do not agree
WORST_ERROR_M = 100.0  # 0.25 Hz at 10 GHz, from the rotation of the Earth
ASSUMED_ERROR_M = 20.0  # of a receiver that does not say (common practice)
AT_LEAST_M = 30.0  # less is no move: fixes wander


class GpsGarbledError(MoontrimError):
    """Bytes came from a receiver, or gpsd, that cannot be what it means to say."""


@dataclass(frozen=True, slots=True)
class Position:
    """Where a receiver says it is: WGS84 degrees, north and east positive.

    height_m: above the ellipsoid; None if only the other two are known. error_m: horizontal, about
    95 %; None if it does not say. quality: in a word or two, for a person."""

    latitude_deg: float
    longitude_deg: float
    height_m: float | None
    error_m: float | None
    quality: str

    @property
    def locator(self) -> str:
        """Of 10 characters: a square of 20 m by 40 m or so."""
        return locator_of(Site(self.latitude_deg, self.longitude_deg), 10)

    def site(self, fallback_height_m: float = 0.0) -> Site:
        """As the path physics takes it."""
        height_m = fallback_height_m if self.height_m is None else self.height_m
        return Site(self.latitude_deg, self.longitude_deg, height_m)


@dataclass(frozen=True, slots=True)
class Fix:
    """A position and when it was so. gps_utc_s: by the receiver; None if it does not say the date.
    arrived_utc_s: by our clock, when it came. Both POSIX seconds."""

    position: Position
    gps_utc_s: float | None
    arrived_utc_s: float


@dataclass(frozen=True, slots=True)
class Move:
    """How far a position is from home, in metres and in Hz of Doppler; tells: whether that is more
    than fixes wander, and more than the budget allows."""

    distance_m: float
    cost_hz: float
    tells: bool
    text: str


def checked(
    latitude_deg: float,
    longitude_deg: float,
    height_m: float | None,
    error_m: float | None,
    quality: str,
) -> Position | None:
    """A position that can be one; None for the zero fix of a receiver that has none. Raises
    GpsGarbledError for numbers that are none or out of range. A height or error that cannot be is
    taken as not known."""
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
    """In a straight line. A position without a height is taken at home's."""
    there = position.site(home.height_m)
    return 1000.0 * float(np.linalg.norm(there.itrs_km() - home.itrs_km()))


def move_from(
    home: Site, position: Position, cost_hz: Callable[[Site, Site], float], budget_hz: float
) -> Move:
    """cost_hz: the difference in Doppler between two places at present, in Hz on the band."""
    far_m = distance_m(home, position)
    costs_hz = abs(cost_hz(home, position.site(home.height_m)))
    wander_m = max(AT_LEAST_M, position.error_m or ASSUMED_ERROR_M)
    # Written so that a cost that is not a number tells.
    tells = far_m > wander_m and not costs_hz <= budget_hz
    text = (
        f"the GPS receiver is {far_m:.0f} m from home, {costs_hz:.2g} Hz at present; "
        f"it is at {position.locator}"
    )
    return Move(far_m, costs_hz, tells, text)


def home_from(position: Position) -> Site:
    """As the place of home. Raises InputError, saying why, if it is not good enough for that."""
    if position.height_m is None:
        raise InputError("gps", position.quality, "a fix in three dimensions")
    error_m = ASSUMED_ERROR_M if position.error_m is None else position.error_m
    if not error_m <= WORST_ERROR_M:
        raise InputError("gps", f"{error_m:.0f} m", f"an error of {WORST_ERROR_M:.0f} m at most")
    return position.site()


def worth_moving(home: Site, new: Site) -> bool:
    """Is the new place further from home than fixes wander? Home then stays put while nobody
    moves."""
    return 1000.0 * float(np.linalg.norm(new.itrs_km() - home.itrs_km())) > AT_LEAST_M


class Steady:
    """Home from fixes that agree: one alone may be a reflection off a hill, and where the Moon is
    seen from decides whether there may be RF."""

    def __init__(self) -> None:
        self._sites: deque[Site] = deque(maxlen=STEADY_FIXES)

    def add(self, position: Position) -> Site | None:
        """The middle of the last few, once they agree; None until then."""
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
            # Beside the 180 degree meridian they may be on either side of it.
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
