"""Saves the session off the event loop, so that a slow, full or read-only disk never delays the
tracker, and reports to those who wait whether a change is on disk.

One write at a time, and only the newest session counts. The mark of an orderly end (see
`sessionfile`) is removed at the start and made at the end."""

from __future__ import annotations

import asyncio
import logging
from pathlib import Path

from moontrim.clock.system import Clock, SystemClock
from moontrim.config.settings import Settings
from moontrim.errors import reason_of
from moontrim.session.session import Session
from moontrim.session.sessionfile import (
    NAME,
    TO_ALLOW,
    first_start,
    load_session,
    make_mark,
    permission_void,
    remove_mark,
    save_session,
    trusted,
    why_inhibited,
)

log = logging.getLogger(__name__)

RETRY_S = 10.0  # chosen: until a disk that refused is tried again
START_S = 2.0  # chosen: for the disk; meanwhile a radio that was left keyed is not unkeyed
END_S = 5.0  # chosen: for the disk at the end; service managers wait for much longer
SAVE_S = 1.5  # chosen: many times what a sound disk takes, and less than the 3 s that a phone waits


class SessionSaver:
    """Saves the newest session passed to `put`. A failure is logged once, and writing is tried
    again until it works.

    loaded: the session to begin with. problem: why the last attempt failed; None if it did not.
    inhibited: why transmit was inhibited at the start though the saved session allows it; empty if
    it was not, or has been allowed since."""

    def __init__(self, folder: Path, settings: Settings, clock: Clock) -> None:
        self._folder = folder
        self._clock = clock
        self._real = SystemClock()  # also in a rehearsal, whose disk is real
        self._newest: Session | None = None  # waits to be written
        self._wake = asyncio.Event()
        self._disk = asyncio.Lock()
        self._writing: asyncio.Task[None] | None = None
        self._tried = asyncio.Event()  # replaced after each attempt
        # Changes are numbered; these are the last one of all, on disk, and refused by the disk.
        self._changes = self._saved = self._refused = 0
        self._mark_removed = False
        self.problem: str | None = None
        self.inhibited = ""
        self._first_start = first_start(folder)
        self.loaded = load_session(folder, settings)
        if not self._first_start and not (folder / NAME).exists():
            self.put(self.loaded)  # the file was set aside; this keeps its skeds
        if not self.loaded.tx_allowed:
            reason = why_inhibited(self.loaded, settings)
            log.warning("transmit inhibited: %s; %s", reason, TO_ALLOW)
        if why := permission_void(folder, self.loaded):
            self._inhibit(why)
        if not trusted(folder):
            before, self.loaded = self.loaded, self.loaded.unconfirmed(settings)
            if self.loaded != before:
                self.put(self.loaded)

    async def begin(self) -> bool:
        """Removes the mark of the last end; to be awaited before anything can be keyed. Returns
        whether a saved permission to transmit may stand: not if the disk refuses."""
        if self._first_start:  # without a file, a start after a kill would look like the first one
            self.put(self.loaded)
        try:
            async with self._real.timeout(START_S):
                await (self.flush() if self._first_start else self._attempt(None, 0))
        except TimeoutError:
            self.problem = f"no reply from the disk within {START_S:g} s"
        if self.problem is not None:
            self.put(self.loaded)  # so that it is tried again
        if not self.allow_refused() or not self.loaded.tx_allowed:
            return True
        self._inhibit(self.allow_refused())
        return False

    def _inhibit(self, reason: str) -> None:
        self.inhibited = reason
        log.warning("transmit inhibited: %s; %s", reason, TO_ALLOW)

    def put(self, session: Session) -> None:
        """Has a session written, instead of any that still waits."""
        self._newest = session
        self._changes += 1
        if session.tx_allowed:
            self.inhibited = ""
        self._wake.set()

    def allow_refused(self) -> str:
        """Returns why transmit must not be allowed: the disk holds a permission that a kill
        would bring back, whatever was inhibited meanwhile. Empty if it may be."""
        if self._mark_removed:
            return ""
        return f"state folder {self._folder} not writable ({self.problem}); make it writable"

    async def unsaved(self, clock: Clock) -> str:
        """Waits until every change made so far is on disk; returns empty then, or the reason if it
        is not: the disk refused it, or has not taken it after SAVE_S by this clock."""
        change = self._changes
        try:
            async with clock.timeout(SAVE_S):
                while max(self._saved, self._refused) < change:
                    await self._tried.wait()
        except TimeoutError:
            return f"no reply from the disk within {SAVE_S:g} s"
        return "" if self._saved >= change else self.problem or "disk error"

    async def run(self) -> None:
        """Writes sessions until cancelled."""
        while True:
            if self._newest is None:
                await self._wake.wait()
            else:  # the disk refused it
                await self._clock.wait(self._wake, RETRY_S)
            self._wake.clear()
            await self.flush()

    async def flush(self) -> None:
        """Writes the session that waits, if any. Cancelled, the write goes on."""
        session, self._newest = self._newest, None
        if session is not None:
            await self._attempt(session, self._changes)

    async def finish(self) -> None:
        """Writes what waits, and marks the end as orderly if all is saved. The last call."""
        try:
            async with self._real.timeout(END_S):
                if self._writing is not None:
                    await asyncio.wait([self._writing])
                await self.flush()
                if self._mark_removed and self._saved == self._changes:
                    await asyncio.to_thread(make_mark, self._folder)
        except (TimeoutError, OSError) as error:
            log.warning("end not marked as orderly: %s", str(error) or "no reply from the disk")
            if self._writing is not None:
                self._writing.cancel()

    async def _attempt(self, session: Session | None, change: int) -> None:
        self._writing = asyncio.create_task(self._write(session, change), name="session to disk")
        await asyncio.shield(self._writing)

    async def _write(self, session: Session | None, change: int) -> None:
        """Removes the mark if that is to be done, and saves the session if there is one."""
        async with self._disk:
            try:
                if not self._mark_removed:
                    await asyncio.to_thread(remove_mark, self._folder)
                if session is not None:
                    await asyncio.to_thread(save_session, self._folder, session)
            except OSError as error:
                self._refused_by(error, session, change)
            else:
                self._mark_removed = True
                self.problem = None
                self._saved = max(self._saved, change)
        self._tried.set()
        self._tried = asyncio.Event()

    def _refused_by(self, error: OSError, session: Session | None, change: int) -> None:
        if self.problem is None:
            log.warning("choices not saved in %s: %s", self._folder, reason_of(error))
        self.problem = reason_of(error).lower()
        self._refused = max(self._refused, change)
        if self._newest is None:  # else there is a newer one already
            self._newest = session
