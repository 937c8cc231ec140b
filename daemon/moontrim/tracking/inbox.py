"""Where everything that wants something from the tracker meets: bounded, ordered, never waiting."""

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
from moontrim.state.snapshot import Outlook

log = logging.getLogger(__name__)

INBOX_SIZE = 64


@dataclass(frozen=True, slots=True)
class Request:
    """A command and, if anyone waits for it, where its outcome goes: the session it led to, or why
    it was refused."""

    command: Command
    answer: asyncio.Future[Session] | None = None

    def done(self, session: Session) -> None:
        if self.answer is not None and not self.answer.done():
            self.answer.set_result(session)

    def refused(self, error: MoontrimError) -> None:
        if self.answer is not None and not self.answer.done():
            self.answer.set_exception(error)


@dataclass(frozen=True, slots=True)
class HomeMoved:
    """Home is here from now on."""

    home: SiteSettings


Item = Request | LinkEvent | Outlook | HomeMoved


class Inbox:
    """A full inbox refuses: better a lost request than a lost second."""

    def __init__(self) -> None:
        self._items: deque[Item] = deque()
        self.wake = asyncio.Event()

    def post(self, item: Item) -> bool:
        """False when there is no room."""
        if len(self._items) >= INBOX_SIZE:
            log.warning("inbox full, dropped %s", type(item).__name__)
            return False
        self._items.append(item)
        self.wake.set()
        return True

    def tell(self, command: Command) -> bool:
        """Post a command without waiting for its outcome. False when there is no room."""
        return self.post(Request(command))

    def drain(self) -> list[Item]:
        items = list(self._items)
        self._items.clear()
        self.wake.clear()
        return items
