"""Contacts that prove which front end is connected to the radio.

For a front end every contact must read as expected: that of the front end itself active, where it
has one, and those of all others inactive. Whatever cannot be read proves nothing. A contact is
taken as it was read at two polls in a row, because it bounces while a plug is moved."""

from __future__ import annotations

import logging
from collections.abc import Callable

from moontrim.clock.system import Clock
from moontrim.keying.contacts import REOPEN_S, Contact
from moontrim.keying.modemlines import OutputError

log = logging.getLogger(__name__)

POLL_S = 0.05  # chosen: as often as the keyer checks its conditions
STALE_S = 0.5  # chosen: a port that does not answer for so long proves nothing


class FrontEndContacts:
    """Polls the contacts of the front ends.

    contacts: by name of the front end. changed: called when what they show has changed."""

    def __init__(
        self, contacts: dict[str, Contact], clock: Clock, changed: Callable[[], object]
    ) -> None:
        self._contacts = contacts
        self._clock = clock
        self._changed = changed
        self._active: dict[str, bool | None] = dict.fromkeys(contacts)
        self._last: dict[str, bool] = {}
        self._troubles: dict[str, str] = {}
        self._polled_s = clock.monotonic_s()

    def doubt(self, front_end: str) -> str:
        """Returns why this front end may not be the one connected; empty if nothing is known
        against it."""
        if self._contacts and self._clock.monotonic_s() - self._polled_s > REOPEN_S + STALE_S:
            return f"front end {front_end} not proved: no answer from its contacts"
        for name in sorted(self._contacts, key=lambda name: name != front_end):
            if trouble := self._troubles.get(name):
                return f"front end {front_end} not proved: contact of {name}: {trouble}"
            active = self._active[name]
            if active is None:
                return f"front end {front_end} not proved: contact of {name} not settled"
            if active is not (name == front_end):
                is_so = f"{name} connected" if active else f"{name} not connected"
                return f"{is_so} (contact), but the band uses front end {front_end}"
        return ""

    async def run(self) -> None:
        """Polls until cancelled. Returns at once without contacts."""
        if not self._contacts:
            return
        try:
            while True:
                before = (dict(self._active), dict(self._troubles))
                for name, contact in self._contacts.items():
                    await self._poll(name, contact)
                self._polled_s = self._clock.monotonic_s()
                if before != (self._active, self._troubles):
                    self._changed()
                await self._clock.sleep(REOPEN_S if self._troubles else POLL_S)
        finally:
            for contact in self._contacts.values():
                contact.close()

    async def _poll(self, name: str, contact: Contact) -> None:
        try:
            if name not in self._last:
                await contact.open()
            active = await contact.closed()
        except OutputError as error:
            if self._troubles.get(name) != str(error):
                log.warning("contact of front end %s: %s", name, error)
            self._troubles[name], self._active[name] = str(error), None
            self._last.pop(name, None)
            return
        self._troubles.pop(name, None)
        self._active[name] = active if self._last.get(name) is active else None
        self._last[name] = active
