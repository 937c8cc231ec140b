"""What stands against transmitting at each snapshot, for those who read the state.

The keying sequence judges for itself, many times a second. This only looks: it changes nothing of
the sequence, allows nothing, and whatever goes wrong in it is a reason against transmitting."""

from __future__ import annotations

import logging
from collections.abc import Callable

from moontrim.clock.system import Clock
from moontrim.config.keying import KeyingSettings
from moontrim.keying.interlocks import Conditions, hindrances
from moontrim.keying.keyer import Keyer
from moontrim.state.snapshot import Snapshot, TransmitView

log = logging.getLogger(__name__)

NOT_SET_UP = "keying is not set up: the radio is keyed by other means"


class StandingInterlocks:
    """Reads the interlocks of one keyer.

    conditions: returns the state of the station at a snapshot, and changes nothing.
    keyed_otherwise: returns why something else transmits; empty: nothing does."""

    def __init__(
        self,
        settings: KeyingSettings,
        clock: Clock,
        keyer: Keyer,
        conditions: Callable[[Snapshot], Conditions],
        keyed_otherwise: Callable[[], str],
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._keyer = keyer
        self._conditions = conditions
        self._keyed_otherwise = keyed_otherwise
        self._failure = ""

    def at(self, now: Snapshot) -> TransmitView:
        """Returns what stands against transmitting at a snapshot."""
        if not self._settings.enabled:
            return TransmitView((NOT_SET_UP,))
        rf_since_s = self._keyer.rf_since_s
        rf_s = 0.0 if rf_since_s is None else self._clock.monotonic_s() - rf_since_s
        return TransmitView(
            interlocks=self._reasons(now, rf_s),
            keying_enabled=True,
            over_left_s=None
            if rf_since_s is None
            else max(0.0, self._settings.longest_over_s - rf_s),
        )

    def _reasons(self, now: Snapshot, rf_s: float) -> tuple[str, ...]:
        try:
            standing = hindrances(self._conditions(now), self._settings, rf_s)
        except Exception as error:
            reason = f"interlocks cannot be evaluated: {error!r}"
            if reason != self._failure:
                log.exception("conditions")
            self._failure = reason
            return (reason,)
        self._failure = ""
        otherwise = self._keyed_otherwise()
        return (*self._keyer.view.stuck, *standing, *((otherwise,) if otherwise else ()))
