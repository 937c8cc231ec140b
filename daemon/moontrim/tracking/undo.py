"""What a slip of the finger can be undone to. Pure but for the session that it keeps; instants are
passed in.

    sked north chosen | undo within 5 s: band, frequency, partner, agreement, trims of before
                      | trim set, dial turned, frequency entered: there is nothing to undo any more

The permission to transmit is not undone: what was inhibited stays so, and the way back to another
front end withdraws it as every change of band does."""

from __future__ import annotations

from moontrim.config.settings import Settings
from moontrim.errors import NotNowError
from moontrim.session.commands import Command, SetAgreement, SetBand, SetPartner
from moontrim.session.session import Session
from moontrim.session.skeds import ChooseSked

UNDO_S = 5.0  # chosen: to see what one has tapped, and to tap again
CAN_BE_UNDONE = (ChooseSked, SetBand, SetPartner, SetAgreement)
RESTORED = ("band", "partner", "agreement", "sked", "bands")


class Undoing:
    """The session before the last change that can be undone, for UNDO_S.

    until_utc_s: the end of that time, for the state."""

    def __init__(self) -> None:
        self._before: Session | None = None
        self._until_s = 0.0
        self._until_utc_s = 0.0

    def note(
        self, command: Command | None, before: Session, after: Session, now_s: float, utc_s: float
    ) -> None:
        """Takes note of a change that was applied. command: None: a dial was followed. now_s:
        monotonic."""
        if all(getattr(before, name) == getattr(after, name) for name in RESTORED):
            return
        self._before = before if isinstance(command, CAN_BE_UNDONE) else None
        self._until_s, self._until_utc_s = now_s + UNDO_S, utc_s + UNDO_S

    def until_utc_s(self, now_s: float) -> float | None:
        """Returns until when something can be undone; None: nothing can."""
        if self._before is None or now_s >= self._until_s:
            return None
        return self._until_utc_s

    def undone(self, session: Session, settings: Settings, now_s: float) -> Session:
        """Returns the session with what the last change had changed as before. Raises
        NotNowError."""
        before = self._before
        if before is None or self.until_utc_s(now_s) is None:
            raise NotNowError(
                f"nothing to undo: a change of band, sked, partner or agreement can be undone for "
                f"{UNDO_S:.0f} s, until another change"
            )
        restored = {name: getattr(before, name) for name in RESTORED}
        return session.on_band(before.band, settings).model_copy(update=restored)
