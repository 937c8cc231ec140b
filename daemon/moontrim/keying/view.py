"""What others see of the keying sequence."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.keying.sequence import Phase


@dataclass(frozen=True, slots=True)
class KeyingView:
    """The keying sequence at an instant, for the state, the page and the journal.

    since_utc_s: POSIX seconds at which `state` began.
    who: who requested the present over; empty when released.
    reasons: of the last refusal or of the last over that was ended, until the next sequence begins.
    stuck: the outputs that do not switch off, and why."""

    state: Phase = Phase.RELEASED
    who: str = ""
    since_utc_s: float = 0.0
    reasons: tuple[str, ...] = ()
    stuck: tuple[str, ...] = ()

    def after(
        self,
        state: Phase,
        utc_s: float,
        who: str,
        reasons: tuple[str, ...],
        stuck: tuple[str, ...],
    ) -> KeyingView:
        """Returns the view that follows this one at an instant."""
        since_utc_s = self.since_utc_s if state is self.state else utc_s
        return KeyingView(state, who, since_utc_s, reasons, stuck)
