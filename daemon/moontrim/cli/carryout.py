"""Commands carried out by the running daemon or, where none runs, on what was saved."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from moontrim.config.settings import Settings
from moontrim.errors import InputError, reason_of

if TYPE_CHECKING:
    from moontrim.remote.commands.forbidding import Outcome
    from moontrim.session.commands import Command
    from moontrim.session.session import Session

BY = "command line"


def show(outcome: Outcome) -> int:
    """Prints what became of a command and returns the exit code."""
    print(outcome.text, file=sys.stdout if outcome.ok else sys.stderr)
    return 0 if outcome.ok else 1


def on_running(folders: Sequence[Path], fields: dict[str, Any]) -> Outcome | None:
    """Has the running daemon carry a command out and returns what became of it; None where none
    runs. fields: the command, as the daemon's control socket takes it."""
    from moontrim.remote.commands.forbidding import Outcome
    from moontrim.remote.wire.controlsocket import NotRunning, request_command

    for folder in folders:
        try:
            return request_command(folder, fields)
        except NotRunning:
            continue
        except (OSError, ValueError) as error:
            problem = getattr(error, "strerror", None) or "no answer from the daemon"
            return Outcome(False, f"{folder}: {problem}; nothing changed as far as is known")
    return None


def carry_out(
    settings: Settings, folders: Sequence[Path], command: Command, fields: dict[str, Any]
) -> Outcome:
    """Has the running daemon carry a command out or, where none runs, changes what was saved.
    fields: as for `on_running`. Raises InputError and NotNowError where no daemon runs."""
    from moontrim.remote.commands.forbidding import Outcome
    from moontrim.session.offline import change_saved

    if (outcome := on_running(folders, fields)) is not None:
        return outcome
    folder = _saved_in(folders)
    change_saved(folder, settings, command)
    return Outcome(True, f"{command}: done, in {folder}")


def saved_session(settings: Settings, folders: Sequence[Path]) -> Session:
    """Returns what was saved last, also by a daemon that runs; reports on standard error where that
    cannot be used. Raises InputError where it cannot be read."""
    from moontrim.session.sessionfile import stored_session

    session, problem = stored_session(_saved_in(folders), settings)
    if problem:
        print(f"moontrim: saved choices invalid: {problem}", file=sys.stderr)
    return session


def _saved_in(folders: Sequence[Path]) -> Path:
    """Returns the first folder in which something was saved, or else the first."""
    from moontrim.session.sessionfile import first_start

    try:
        return next((folder for folder in folders if not first_start(folder)), folders[0])
    except OSError as error:
        problem = f"cannot read it ({reason_of(error)})"
        raise InputError("state_dir", str(folders[0]), problem=problem) from None
