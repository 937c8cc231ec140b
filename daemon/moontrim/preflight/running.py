"""Whether a daemon runs that uses the radio of this config. Touches nothing of it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from moontrim.session.sessionfile import LOCK

LOCKS = Path("/proc/locks")  # proc(5); reading it disturbs no lock


def running_daemon(folders: Iterable[Path], locks: Path = LOCKS) -> str:
    """Returns a sentence on the daemon that runs on one of these state folders; empty if none does.
    A folder that this user may not look into counts as one that a daemon runs on."""
    for folder in folders:
        try:
            inode = (folder / LOCK).stat().st_ino
            table = locks.read_text(encoding="ascii")
        except (FileNotFoundError, NotADirectoryError):
            continue
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            return f"cannot tell whether moontrim is running on {folder} ({reason})"
        if any(_holds(line.split(), inode) for line in table.splitlines()):
            return f"moontrim is running on {folder}"
    return ""


def _holds(fields: list[str], inode: int) -> bool:
    """Is this line of the table a lock held on that file? Its device is not compared: some file
    systems show another one there. A line with `->` is of a process that waits."""
    places = [field.rpartition(":")[2] for field in fields if field.count(":") == 2]
    return "->" not in fields and "FLOCK" in fields and str(inode) in places
