"""What snapshots show besides the tracking: keying, the clock, and warnings from wherever they
come."""

from __future__ import annotations

from collections.abc import Callable

from moontrim.keying.view import KeyingView
from moontrim.rig.view import LinkView
from moontrim.session.saver import SessionSaver
from moontrim.state.snapshot import Surroundings
from moontrim.timekeeping.trust import ClockTrust

Warnings = Callable[[], tuple[str, ...]]


class SurroundingsReader:
    """Collects it anew for each snapshot."""

    def __init__(self, clock_trust: ClockTrust, keying: Callable[[], KeyingView]) -> None:
        self._clock_trust = clock_trust
        self._keying = keying
        self._sources: dict[str, Warnings] = {}

    def register(self, name: str, warnings: Warnings) -> None:
        """Adds a source of warnings, or replaces the one of this name. warnings: called for each
        snapshot; must not block. They are shown in the order in which sources were registered."""
        self._sources[name] = warnings

    def read(self, rate_hz_per_s: float) -> Surroundings:
        """Returns all of it. rate_hz_per_s: of the receive frequency, for what an error of the
        clock costs."""
        warnings = tuple(text for source in self._sources.values() for text in source())
        return Surroundings(self._keying(), self._clock_trust.view(rate_hz_per_s), warnings)


def session_warnings(saver: SessionSaver) -> tuple[str, ...]:
    """Returns what the operator should know of the choices on disk."""
    warnings = (f"choices not saved: {saver.problem}",) if saver.problem else ()
    return (*warnings, f"transmit inhibited: {saver.inhibited}") if saver.inhibited else warnings


def radio_warnings(link: LinkView) -> tuple[str, ...]:
    """Returns why the radio is for reception only, if it is."""
    return (f"receive only: {link.cannot_key}",) if link.cannot_key else ()
