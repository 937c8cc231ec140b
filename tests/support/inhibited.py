"""What permitting needs of a daemon: one at which transmit is inhibited."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

from moontrim.clock.system import Clock
from moontrim.config.settings import settings_from
from moontrim.errors import NotNowError
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.session.commands import AllowTransmit, Command
from moontrim.session.session import Session, first_session
from moontrim.state.hub import StateHub
from support.journals import T0, snapshot

SETTINGS = settings_from(deepcopy(EMBEDDED), "test")


class Inhibited:
    """Applies commands at once, and writes down those that it was sent."""

    def __init__(self) -> None:
        self.hub = StateHub()
        self.settings = SETTINGS
        first = first_session(SETTINGS)
        self.session: Session = first.model_copy(update={"tx_allowed": False})
        self.hub.publish(snapshot(T0, 1, band=first.band, transmitting=False, tx_allowed=False))
        self.commands: list[Command] = []
        self.refusal = self.disk_problem = ""
        self.forbids_meanwhile = False

    async def ask(self, command: Command) -> Any:
        if self.refusal:
            raise NotNowError(self.refusal)
        self.commands.append(command)
        self.session = command.apply(self.session, self.settings)
        return self.session

    async def unsaved(self, clock: Clock) -> str:
        if self.forbids_meanwhile:
            await self.ask(AllowTransmit("phone", False))
        return self.disk_problem
