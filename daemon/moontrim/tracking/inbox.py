"""The one queue to the tracker for commands and events: bounded, in order, never waiting."""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from dataclasses import dataclass

from moontrim.config.site import SiteSettings
from moontrim.errors import MoontrimError
from moontrim.rig.view import LinkEvent
from moontrim.session.commands import Command
from moontrim.session.session import Session
from moontrim.state.agendaview import AgendaView
from moontrim.state.snapshot import Outlook

log = logging.getLogger(__name__)

INBOX_SIZE = 64  # chosen: more than several phones and a dial turned fast post in a second


@dataclass(frozen=True, slots=True)
class Request:
    """A command. answer: if somebody waits for it, receives the session it led to, or the error
    with which it was refused."""

    command: Command
    answer: asyncio.Future[Session] | None = None

    def done(self, session: Session) -> None:
        """Answers that the command was applied."""
        if self.answer is not None and not self.answer.done():
            self.answer.set_result(session)

    def refused(self, error: MoontrimError) -> None:
        """Answers that the command was refused."""
        if self.answer is not None and not self.answer.done():
            self.answer.set_exception(error)


@dataclass(frozen=True, slots=True)
class HomeMoved:
    """The GPS receiver has found a new place of home."""

    home: SiteSettings


@dataclass(frozen=True, slots=True)
class StationFault:
    """A fault of something beside the radio, for the record. text: state, cause, remedy."""

    text: str


Item = Request | LinkEvent | Outlook | AgendaView | HomeMoved | StationFault


class Inbox:
    """The queue. When full it refuses: better a lost request than a lost second.

    wake: set while there are items."""

    def __init__(self) -> None:
        self._items: deque[Item] = deque()
        self.wake = asyncio.Event()

    def post(self, item: Item) -> bool:
        """Adds an item. Returns False when there is no room."""
        if len(self._items) >= INBOX_SIZE:
            log.warning("inbox full, dropped %s", type(item).__name__)
            return False
        self._items.append(item)
        self.wake.set()
        return True

    def post_command(self, command: Command) -> bool:
        """Adds a command whose outcome nobody waits for. Returns False when there is no room."""
        return self.post(Request(command))

    def drain(self) -> list[Item]:
        """Removes and returns all items, the oldest first."""
        items = list(self._items)
        self._items.clear()
        self.wake.clear()
        return items
