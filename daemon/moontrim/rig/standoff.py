"""The pause in setting a radio that rejects commands or reads back otherwise, shown as a state with
its reason. Calls the readback."""

from __future__ import annotations

import logging
from collections.abc import Callable

from moontrim.clock.system import Clock
from moontrim.rig.readback import Readback
from moontrim.rig.view import LinkEvent, LinkState, Updated

log = logging.getLogger(__name__)

STAND_OFF_S = 2.0  # pause in setting such a radio; chosen: some seconds' plans


class StandOff:
    """Begins and ends that pause; the dials keep to it."""

    def __init__(
        self, readback: Readback, clock: Clock, report: Callable[[LinkEvent], object]
    ) -> None:
        self._readback = readback
        self._clock = clock
        self._report = report
        self._until_s = 0.0

    def forget(self) -> None:
        """Sets a radio that answers anew without waiting."""
        self._until_s = 0.0

    @property
    def is_over(self) -> bool:
        """Is there no pause now?"""
        return self._until_s <= self._clock.monotonic_s()

    @property
    def has_ended(self) -> bool:
        """Has such a radio been left alone for long enough?"""
        failed = self._readback.view.state in (LinkState.REJECTS, LinkState.MISMATCH)
        return failed and self.is_over

    def begin(self, state: LinkState, reason: str) -> None:
        """Leaves the radio alone for a while, and shows why."""
        if self._readback.view.state is not state:
            log.warning("radio %s: %s", state, reason)
        failures = self._readback.view.failures + 1
        self._readback.show(state=state, reason=reason, failures=failures)
        self._until_s = self._clock.monotonic_s() + STAND_OFF_S
        self._report(Updated())

    def end(self) -> None:
        """Shows that the dials are where they were to be set."""
        if self._readback.view.state is not LinkState.READY:
            log.info("radio follows again")
            self._readback.show(state=LinkState.READY, reason="")
        self._report(Updated())
