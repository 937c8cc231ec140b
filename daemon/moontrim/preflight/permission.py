"""Whether transmit is permitted at the next start, by the rule that the daemon itself follows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from moontrim.config.settings import Settings
from moontrim.preflight.finding import Finding
from moontrim.preflight.running import running_daemon
from moontrim.session.sessionfile import (
    FORBIDDEN,
    TO_PERMIT,
    first_start,
    permission_void,
    stored_session,
)


def permission_findings(settings: Settings, folders: Iterable[Path]) -> Iterator[Finding]:
    """Returns a line for each state folder that has a saved session; one for a first start where
    none has. Of a daemon that runs it is what it has saved."""
    any_saved = False
    for folder in dict.fromkeys(folders):
        try:
            if first_start(folder):
                continue
            any_saved = True
            session, problem = stored_session(folder, settings)
            # A daemon that runs has removed the mark; its permission counts until its end.
            running = running_daemon([folder])
            why = "" if running else permission_void(folder, session)
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            yield Finding("note", "permission", f"state in {folder} not readable ({reason})")
            continue
        if not session.transmit_permitted:
            why = f"saved session not usable ({problem})" if problem else FORBIDDEN
        if running and why:
            yield Finding(
                "note", "permission", f"transmit inhibited ({folder}): {why}; {TO_PERMIT}"
            )
        elif why:
            text = (
                f"transmit inhibited at the next start ({folder}): {why}; {TO_PERMIT}, once it runs"
            )
            yield Finding("note", "permission", text)
        else:
            when = "now" if running else "at the next start"
            yield Finding("ok", "permission", f"transmit permitted {when} ({folder})")
    if not any_saved:
        yield Finding("ok", "permission", "transmit permitted at the next start, the first one")
