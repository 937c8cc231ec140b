"""The session on disk: read at the start, written whole and atomically after every change.

Beside it lies the mark of an orderly end, which decides whether the saved permission to transmit
counts. Inhibiting acts at once, but a full, read-only or slow disk may not take it; what is on disk
then allows what was inhibited. So a permission outlives only a run that ended in order, with
everything saved:

    start          the mark is removed (which needs no room on a full disk) before anything is keyed
    while it runs  no mark: after a kill or a power cut, the next start begins inhibited
    orderly end    the session is saved, and only then the mark is made

The rule holds with and without phones: `moontrim permit` allows transmit again at the machine.
A finer rule (killed with everything saved, the permission stays) cannot be had from the same disk:
once it is read-only, it holds the same whether it was inhibited afterwards or not.

It is not the mark of `service.orderlystop`, which says that every output is off: on a disk that
refuses the session all outputs may well be off (and their lines need no pulse), and with an output
stuck everything may well be saved. One mark for both would pulse the lines after an orderly stop on
a full disk. This one alone decides, so it must be gone from the disk before anything is keyed;
that one counts only together with the service manager's report.

The functions wait for the disk; `saver` calls them in a thread."""

from __future__ import annotations

import contextlib
import fcntl
import logging
import os
from collections.abc import Iterator
from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError

from moontrim.config.settings import Settings
from moontrim.errors import InputError
from moontrim.session.session import Session, first_session
from moontrim.session.skeds import forget_changed_sked

log = logging.getLogger(__name__)

VERSION = 1
NAME = "session.json"
UNUSABLE = "session.unusable.json"
MARK = "ended-in-order"
LOCK = "run.lock"
# What is taken over from a session that no longer fits the config.
CARRIED_OVER = ("tx_allowed", "front_end", "skeds", "agenda", "followed")
UNORDERLY = "last run not ended in order, a change may be unsaved"
INHIBITED = "inhibited, and not allowed again since"
TO_ALLOW = "to allow: moontrim permit, or the phone page"


class _Saved(BaseModel):
    model_config = ConfigDict(extra="forbid")

    version: int
    session: Session


def load_session(folder: Path, settings: Settings) -> Session:
    """Returns the session to begin with (see `stored_session`). A file that cannot be used is set
    aside, never deleted, and that is logged."""
    session, problem = stored_session(folder, settings)
    if problem:
        but = "" if session.tx_allowed else ", with transmit inhibited until it is allowed again"
        path = folder / NAME
        log.warning(
            "saved choices %s invalid (%s); starting with the defaults%s", path, problem, but
        )
        with contextlib.suppress(OSError):
            path.replace(folder / UNUSABLE)
    return session


def stored_session(folder: Path, settings: Settings) -> tuple[Session, str]:
    """Returns the saved session and why it cannot be used; empty if it can. Changes nothing.

    A first session takes the place of one that cannot be used, also of one that no longer fits the
    config (a band renamed, a limit moved); it has the skeds that the operator made and the agenda.
    So has it the permission to transmit, with an exception: where that was withdrawn, cannot be
    read, or was for another front end, transmit stays inhibited."""
    carried: dict[str, object] = {"tx_allowed": False, "front_end": None}
    try:
        saved = _Saved.model_validate_json((folder / NAME).read_bytes())
        if saved.version != VERSION:
            raise InputError("version", saved.version, str(VERSION))
        session = saved.session
        carried = {name: getattr(session, name) for name in CARRIED_OVER}
        known = {band.name for band in settings.bands}
        session = session.model_copy(
            update={"bands": {k: v for k, v in session.bands.items() if k in known}}
        )
        session.with_band_choices(settings)
        session.check_agreement(settings)
        session = forget_changed_sked(session, settings)
    except FileNotFoundError:
        return first_session(settings), ""
    except (OSError, ValidationError, InputError, ValueError) as error:
        first_line = str(error).partition("\n")[0]
        first = first_session(settings).model_copy(update=carried)
        return first.as_begun(settings), first_line
    return session.as_begun(settings), ""


def permission_void(folder: Path, session: Session) -> str:
    """Returns why the permission of the saved session does not count at the next start; empty if it
    does, or if there is none."""
    return UNORDERLY if session.tx_allowed and not trusted(folder) else ""


def trusted(folder: Path) -> bool:
    """Returns whether what was confirmed before still holds: the last run ended in order, or there
    was none."""
    return first_start(folder) or marked(folder)


def why_inhibited(session: Session, settings: Settings) -> str:
    """Returns why a start with this session, without the permission to transmit, has none."""
    if session.front_end_confirmed(settings):
        return INHIBITED
    return f"front end {session.present_front_end(settings)} not confirmed as connected"


def save_session(folder: Path, session: Session) -> None:
    """Writes the session so that a reader, or a start after a power cut, finds the whole old file
    or the whole new one. Raises OSError."""
    _make_folder(folder)
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
    _sync_folder(folder)


def first_start(folder: Path) -> bool:
    """Returns whether no session was ever saved in the folder, so that none can inhibit."""
    return not any((folder / name).exists() for name in (NAME, UNUSABLE))


def marked(folder: Path) -> bool:
    """Returns whether the last run ended in order, with everything saved."""
    return (folder / MARK).exists()


def remove_mark(folder: Path) -> None:
    """Removes the mark of an orderly end, also from a full disk. Raises OSError."""
    with contextlib.suppress(FileNotFoundError):
        (folder / MARK).unlink()
        _sync_folder(folder)


def make_mark(folder: Path) -> None:
    """Marks the end as orderly. Only after the session in force was saved. Raises OSError."""
    descriptor = os.open(folder / MARK, os.O_WRONLY | os.O_CREAT, 0o600)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    _sync_folder(folder)


def _make_folder(folder: Path) -> None:
    """Makes the folder so that a power cut does not take it away again. Raises OSError."""
    missing = [each for each in (folder, *folder.parents) if not each.exists()]
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    for each in missing:
        _sync_folder(each.parent)


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


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
            problem = f"{folder} is in use by another moontrim; stop that, or use another folder"
            raise InputError("state_dir", str(folder), problem=problem) from None
        except OSError as error:
            log.warning("no lock in %s: %s", folder, error)
        yield
