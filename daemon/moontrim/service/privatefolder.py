"""Temporary folders that only this user can read. Those of a killed process are removed later.

Each contains a file that is locked for as long as its process lives. A process that makes one
removes those beside it whose lock is free."""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

PREFIX = "moontrim-"
LOCK = "in-use.lock"


class PrivateFolder:
    """A new folder. `remove` removes it.

    base: where it is made; default: where temporary files go."""

    def __init__(self, base: Path | None = None) -> None:
        base = Path(tempfile.gettempdir()) if base is None else base
        _remove_abandoned(base)
        self.path = Path(tempfile.mkdtemp(prefix=PREFIX, dir=base))
        # Locked under another name, so that nobody finds the lock free before this process has it.
        new = self.path / (LOCK + ".new")
        self._descriptor = os.open(new, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
        with contextlib.suppress(OSError):  # not on every disk
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            new.rename(self.path / LOCK)

    def remove(self) -> None:
        """Removes the folder with everything in it."""
        shutil.rmtree(self.path, ignore_errors=True)
        os.close(self._descriptor)


@contextlib.contextmanager
def private_folder() -> Iterator[Path]:
    """Provides a folder, which is removed at the end."""
    folder = PrivateFolder()
    try:
        yield folder.path
    finally:
        folder.remove()


def _remove_abandoned(base: Path) -> None:
    """Removes the folders of processes of this user that were killed."""
    with contextlib.suppress(OSError):
        for folder in base.glob(PREFIX + "*"):
            with contextlib.suppress(OSError):
                _remove_if_abandoned(folder)


def _remove_if_abandoned(folder: Path) -> None:
    """Removes a folder of this user with a lock that is free. Raises OSError if it is none."""
    status = folder.lstat()
    if status.st_uid != os.geteuid() or status.st_mode & 0o077 or folder.is_symlink():
        return
    descriptor = os.open(folder / LOCK, os.O_RDWR | os.O_NOFOLLOW)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        shutil.rmtree(folder, ignore_errors=True)
    finally:
        os.close(descriptor)
