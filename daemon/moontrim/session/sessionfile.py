"""The session on disk: read at start, written whole and atomically after every change.

Owns the one state file. Writing happens in a thread and only the newest session counts, so that a
slow, full or read-only disk never holds up a tick."""

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
AGAIN_S = 10.0  # until a disk that refused is tried again


class _Saved(BaseModel):
    model_config = ConfigDict(extra="forbid")

    version: int
    session: Session


def load_session(folder: Path, settings: Settings) -> Session:
    """The saved session, or a first one. A file that cannot be used is set aside, never deleted,
    and a session that no longer fits the config (a band renamed, a limit moved) is started
    afresh, but for the permission to transmit: what was forbidden stays so, and so does what
    cannot be read. Only where no phone could permit it again, nobody can have forbidden it."""
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
        session.with_here(settings)
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
    """Write so that a reader, or a start after a power cut, finds the old file or the new one,
    never a part. Raises OSError."""
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
    """While this lasts no other process may run on the same state: both would follow each other's
    dials. A disk that takes no lock file keeps nobody from running. Raises InputError."""
    with contextlib.ExitStack() as held:
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            descriptor = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT, 0o600)
            held.callback(os.close, descriptor)
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            allowed = "a folder that no other moontrim runs on at this moment"
            raise InputError("state_dir", str(folder), allowed) from None
        except OSError as error:
            log.warning("no lock in %s: %s", folder, error)
        yield


class SessionSaver:
    """Writes the newest session given to `put`, off the event loop; a failure is logged once until
    it works again, and tried again until it does. `problem` is None while the disk accepts what it
    is given."""

    def __init__(self, folder: Path, clock: Clock) -> None:
        self._folder = folder
        self._newest: Session | None = None
        self._wake = asyncio.Event()
        self._clock = clock
        self.problem: str | None = None

    def put(self, session: Session) -> None:
        self._newest = session
        self._wake.set()

    async def run(self) -> None:
        while True:
            if self._newest is None:
                await self._wake.wait()
            else:  # the disk refused it
                await self._clock.wait(self._wake, AGAIN_S)
            self._wake.clear()
            await self.flush()

    async def flush(self) -> None:
        """Write what is waiting to be written."""
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
