"""What is shown of the keying sequence."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.keying.sequence import Phase


@dataclass(frozen=True, slots=True)
class KeyingView:
    """state: idle, raising, keyed or lowering, since since_utc_s. who: on whose request; empty when
    idle. reasons: of the last refusal or trip, until the next sequence begins. stuck: what
    does not switch off, and why."""

    state: Phase = Phase.IDLE
    who: str = ""
    since_utc_s: float = 0.0
    reasons: tuple[str, ...] = ()
    stuck: tuple[str, ...] = ()
