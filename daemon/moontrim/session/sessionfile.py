"""The session on disk: read at the start, written whole and atomically after every change.

Owns the state file. It is written in a thread, and only the newest session counts, so that a slow,
full or read-only disk never delays the tracker."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import logging
import os
from collections.abc import Iterator
from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError

from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.errors import InputError
from moontrim.session.session import Session, first_session

log = logging.getLogger(__name__)

VERSION = 1
NAME = "session.json"
LOCK = "run.lock"
RETRY_S = 10.0  # chosen: until a disk that refused is tried again


class _Saved(BaseModel):
    model_config = ConfigDict(extra="forbid")

    version: int
    session: Session


def load_session(folder: Path, settings: Settings) -> Session:
    """Returns the saved session, or a first one.

    A file that cannot be used is set aside, never deleted, and a first session takes its place; so
    too for one that no longer fits the config (a band renamed, a limit moved). The permission to
    transmit is the exception: where it was withdrawn, or cannot be read, transmitting stays
    forbidden. With `remote` off it is permitted, because only a phone could have forbidden it."""
    path = folder / NAME
    permitted = not settings.remote.enabled
    try:
        saved = _Saved.model_validate_json(path.read_bytes())
        if saved.version != VERSION:
            raise InputError("version", saved.version, str(VERSION))
        session = saved.session
        permitted = session.transmit_permitted
        known = {band.name for band in settings.bands}
        session = session.model_copy(
            update={"bands": {k: v for k, v in session.bands.items() if k in known}}
        )
        session.with_band_choices(settings)
        session.partner_site(settings)
    except FileNotFoundError:
        return first_session(settings)
    except (OSError, ValidationError, InputError, ValueError) as error:
        aside = path.with_suffix(".unusable.json")
        first_line = str(error).partition("\n")[0]
        but = "" if permitted else ", with transmitting forbidden until it is permitted again"
        log.warning(
            "saved session %s cannot be used (%s); starting afresh%s", path, first_line, but
        )
        with contextlib.suppress(OSError):
            path.replace(aside)
        return first_session(settings).model_copy(update={"transmit_permitted": permitted})
    return session


def save_session(folder: Path, session: Session) -> None:
    """Writes the session so that a reader, or a start after a power cut, finds the whole old file
    or the whole new one. Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    path = folder / NAME
    new = folder / (NAME + ".new")
    data = _Saved(version=VERSION, session=session).model_dump_json(indent=1).encode()
    new.unlink(missing_ok=True)  # left over, or planted
    descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with open(descriptor, "wb") as file:  # noqa: PTH123 (a descriptor, for its mode)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
    except OSError:
        new.unlink(missing_ok=True)
        raise
    directory = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(directory)
    finally:
        os.close(directory)


@contextlib.contextmanager
def nobody_else(folder: Path) -> Iterator[None]:
    """Locks the state folder for this process: two daemons on one would follow each other's dials.
    On a disk that takes no lock file it only logs that. Raises InputError if it is locked."""
    with contextlib.ExitStack() as at_exit:
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            descriptor = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT, 0o600)
            at_exit.callback(os.close, descriptor)
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            allowed = "a folder that no other moontrim runs on at this moment"
            raise InputError("state_dir", str(folder), allowed) from None
        except OSError as error:
            log.warning("no lock in %s: %s", folder, error)
        yield


class SessionSaver:
    """Writes the newest session passed to `put`, off the event loop. A failure is logged once, and
    writing is tried again until it works.

    problem: why the last attempt failed; None if it did not."""

    def __init__(self, folder: Path, clock: Clock) -> None:
        self._folder = folder
        self._newest: Session | None = None
        self._wake = asyncio.Event()
        self._clock = clock
        self.problem: str | None = None

    def put(self, session: Session) -> None:
        """Has a session written, instead of any that still waits."""
        self._newest = session
        self._wake.set()

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
        """Writes the session that waits, if any."""
        session, self._newest = self._newest, None
        if session is None:
            return
        try:
            await asyncio.to_thread(save_session, self._folder, session)
        except OSError as error:
            if self.problem is None:
                log.warning("cannot save the session to %s: %s", self._folder, error)
            self.problem = str(error)
            if self._newest is None:  # else there is a newer one already
                self._newest = session
        else:
            self.problem = None
