"""The mark that an orderly stop leaves in the state folder: every output was switched off.

After each end of the daemon the service manager runs `moontrim unkey`, which opens every serial
port and so pulses its lines. After an orderly stop that is not needed. The mark counts only if the
service manager reports success as well: a start may have been unable to remove it.

It says nothing of what is saved; that is the mark of `session.sessionfile`, which explains why the
two are not one."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from pathlib import Path

log = logging.getLogger(__name__)

MARK = "stopped-in-order"
RESULT = "SERVICE_RESULT"  # systemd.exec(5): set in the environment of ExecStopPost


def remove_mark(folder: Path) -> None:
    """Removes the mark at a start, before anything can be keyed."""
    try:
        (folder / MARK).unlink(missing_ok=True)
    except OSError as error:
        log.warning("%s: cannot be removed: %s", folder / MARK, error.strerror)


def leave_mark(folder: Path) -> None:
    """Leaves the mark: every output is off. Without it the outputs are switched off once more."""
    try:
        (folder / MARK).touch(mode=0o600)
    except OSError as error:
        log.warning("%s: cannot be written: %s", folder / MARK, error.strerror)


def stopped_in_order(folder: Path, environment: Mapping[str, str]) -> bool:
    """Is this run by the service manager after a stop that left every output off?"""
    return environment.get(RESULT) == "success" and (folder / MARK).is_file()
