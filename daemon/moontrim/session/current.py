"""The session and settings that are in force now: one object that everybody reads."""

from __future__ import annotations

from collections.abc import Callable

from moontrim.config.settings import Settings
from moontrim.config.site import SiteSettings
from moontrim.session.session import Session


class CurrentSession:
    """The session in force, and the settings with home where it is now.

    Only the tracker calls `change` and `move_home`. save: called with each changed session; must
    not block."""

    def __init__(
        self, settings: Settings, session: Session, save: Callable[[Session], object]
    ) -> None:
        self._settings = settings
        self._session = session
        self._save = save

    @property
    def settings(self) -> Settings:
        """Those of the config file, with home where it is now."""
        return self._settings

    @property
    def session(self) -> Session:
        """What the operator has selected, also what no snapshot shows yet."""
        return self._session

    def change(self, session: Session) -> None:
        """Puts a changed session in force and has it saved."""
        self._session = session
        self._save(session)

    def move_home(self, home: SiteSettings) -> None:
        """Changes where home is; this is a measurement, which is never saved."""
        self._settings = self._settings.model_copy(update={"home": home})
