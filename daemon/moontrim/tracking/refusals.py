"""What a command cannot change in the present state, whoever sends it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from moontrim.config.settings import Settings
from moontrim.errors import NotNowError
from moontrim.rig.view import LinkView
from moontrim.session.session import Session


@dataclass(frozen=True, slots=True)
class Refusals:
    """allow_refused: returns why transmit must not be allowed, empty if it may be.
    in_over: returns whether the radio transmits, or is being keyed or unkeyed, by anyone.
    radio: returns the view of the rig link."""

    allow_refused: Callable[[], str]
    in_over: Callable[[], bool]
    radio: Callable[[], LinkView]

    def check(self, before: Session, after: Session, settings: Settings) -> None:
        """Raises NotNowError for a change that is not possible now. Under RF, band, sked, partner
        and agreement stay: they end the over and let relays switch; inhibiting and trims do not
        wait. Another front end is confirmed only once the radio is set up for its band: until then
        its drive is that of the one before."""
        allows = after.tx_allowed and not before.tx_allowed
        if allows and (reason := self.allow_refused()):
            raise NotNowError(f"transmit stays inhibited: {reason}")
        confirmed = after.front_end_confirmed(settings)
        if confirmed and not before.front_end_confirmed(settings) and not self.radio().entered:
            raise NotNowError(
                f"front end {after.front_end} not confirmed: radio not set up for {after.band} yet"
                f" ({_why_not_entered(self.radio(), after)}); try again then"
            )
        if after.retuned_from(before, settings) and self.in_over():
            raise NotNowError("transmitting: unkey first")


def _why_not_entered(radio: LinkView, session: Session) -> str:
    if not session.correcting:
        return "correction paused"
    return radio.interlock or radio.reason or "being set"
