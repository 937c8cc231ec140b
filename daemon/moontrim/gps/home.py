"""Home by the receiver: when it becomes known, and when it moves.

The elevation of the Moon at home decides whether there may be RF. So an unknown home, and a station
that has moved away from the home in use, inhibit transmit; and home never moves under RF."""

from __future__ import annotations

from collections.abc import Callable

from moontrim.config.gps import GpsSettings
from moontrim.gps.fix import (
    ASSUMED_ERROR_M,
    Fix,
    Position,
    SteadyHome,
    distance_m,
    worth_moving,
)
from moontrim.path.site import Site

FAR_M = 200.0  # chosen: far above the error of one fix, well below what matters for the elevation


class HomeKeeper:
    """Sets home from the fixes of a receiver. Without `use_for_home` it does nothing and has no
    doubt.

    set_home: called with the new place of home."""

    def __init__(self, settings: GpsSettings, set_home: Callable[[Site], object]) -> None:
        self._settings = settings
        self._set_home = set_home
        self._steady = SteadyHome()
        self._home: Site | None = None
        self._moved = False

    def take(self, fix: Fix, *, transmitting: bool) -> None:
        """Takes the next fix. transmitting: there may be RF now."""
        if not self._settings.use_for_home:
            return
        site = self._steady.add(fix.position)
        if site is None:
            self._moved = self._moved or self._far(fix.position)
            return
        self._moved = self._home is None or worth_moving(self._home, site)
        if self._moved and not transmitting:
            self._home, self._moved = site, False
            self._set_home(site)

    def _far(self, position: Position) -> bool:
        """Returns whether one fix is far from home: a station on the road has no steady one."""
        limit_m = max(FAR_M, position.error_m or ASSUMED_ERROR_M)
        return self._home is not None and distance_m(self._home, position) > limit_m

    def doubt(self) -> str:
        """Returns why home is not trusted now; empty if it is."""
        if not self._settings.use_for_home:
            return ""
        if self._home is None:
            return "no steady fix in three dimensions yet"
        return "the station has moved" if self._moved else ""
