"""What the present state forbids a command to change, whoever sends it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from moontrim.config.settings import Settings
from moontrim.errors import NotNowError
from moontrim.session.session import Session


@dataclass(frozen=True, slots=True)
class Refusals:
    """permit_refused: returns why transmitting must not be permitted, empty if it may be.
    in_over: returns whether the radio transmits, or is being keyed or unkeyed, by anyone."""

    permit_refused: Callable[[], str]
    in_over: Callable[[], bool]

    def check(self, before: Session, after: Session, settings: Settings) -> None:
        """Raises NotNowError for a change that is not possible now. Under RF, band, sked, partner
        and agreement stay: they end the over and let relays switch; forbidding and trims do not
        wait."""
        permits = after.transmit_permitted and not before.transmit_permitted
        if permits and (reason := self.permit_refused()):
            raise NotNowError(f"transmit not allowed: {reason}")
        if after.retuned_from(before, settings) and self.in_over():
            raise NotNowError("transmitting: unkey first")
