"""Home by the receiver: when it becomes known, and when it moves.

Where the Moon is seen from decides whether there may be RF. So an unknown home, and a station that
has moved away from the home in use, are reasons not to transmit; and home never moves under RF."""

from __future__ import annotations

from collections.abc import Callable

from moontrim.config.gps import GpsSettings
from moontrim.gps.fix import (
    ASSUMED_ERROR_M,
    Fix,
    Position,
    Steady,
    distance_m,
    worth_moving,
)
from moontrim.path.site import Site

FAR_M = 200.0


class HomeKeeper:
    """set_home: called with the new place of home. transmitting: may there be RF now? Does nothing,
    and doubts nothing, unless `use_for_home` is set."""

    def __init__(
        self,
        settings: GpsSettings,
        set_home: Callable[[Site], object],
        transmitting: Callable[[], bool],
    ) -> None:
        self._settings = settings
        self._set_home = set_home
        self._transmitting = transmitting
        self._steady = Steady()
        self._home: Site | None = None
        self._moved = False

    def take(self, fix: Fix) -> None:
        """The next fix."""
        if not self._settings.use_for_home:
            return
        site = self._steady.add(fix.position)
        if site is None:
            self._moved = self._moved or self._far(fix.position)
            return
        self._moved = self._home is None or worth_moving(self._home, site)
        if self._moved and not self._transmitting():
            self._home, self._moved = site, False
            self._set_home(site)

    def _far(self, position: Position) -> bool:
        """From home, by one fix: on the road there is no steady one."""
        limit_m = max(FAR_M, position.error_m or ASSUMED_ERROR_M)
        return self._home is not None and distance_m(self._home, position) > limit_m

    def doubt(self) -> str:
        """Why home is not to be trusted just now; empty if it may be."""
        if not self._settings.use_for_home:
            return ""
        if self._home is None:
            return "no steady fix in three dimensions yet"
        return "the station has moved" if self._moved else ""
