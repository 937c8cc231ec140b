"""Changes to the saved session while no daemon runs on it."""

from __future__ import annotations

from pathlib import Path

from moontrim.config.settings import Settings
from moontrim.errors import InputError, reason_of
from moontrim.session.commands import Command
from moontrim.session.session import Session
from moontrim.session.sessionfile import (
    first_start,
    load_session,
    make_mark,
    nobody_else,
    save_session,
)


def change_saved(folder: Path, settings: Settings, command: Command) -> Session:
    """Applies a command to the saved session, under the lock of its folder, and returns the
    session once it is on disk. Raises InputError, also where a daemon has the folder or the disk
    refuses, and NotNowError.

    Where nothing was saved before, the mark of an orderly end is made as well: there was no run
    whose last change may be missing."""
    with nobody_else(folder):
        try:
            first = first_start(folder)
            changed = command.apply(load_session(folder, settings), settings)
            save_session(folder, changed)
            if first:
                make_mark(folder)
        except OSError as error:
            problem = f"cannot write {folder} ({reason_of(error)})"
            raise InputError("state_dir", str(folder), problem=problem) from None
    return changed
