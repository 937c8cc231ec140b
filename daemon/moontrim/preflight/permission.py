"""Whether transmit is allowed at the next start, by the rule that the daemon itself follows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from moontrim.config.settings import Settings
from moontrim.preflight.finding import Finding
from moontrim.preflight.running import running_daemon
from moontrim.session.session import first_session
from moontrim.session.sessionfile import (
    TO_ALLOW,
    first_start,
    permission_void,
    stored_session,
    why_inhibited,
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
        if not session.tx_allowed:
            inhibited = why_inhibited(session, settings)
            why = f"saved choices invalid ({problem})" if problem else inhibited
        if running and why:
            yield Finding("note", "permission", f"transmit inhibited ({folder}): {why}; {TO_ALLOW}")
        elif why:
            text = (
                f"transmit inhibited at the next start ({folder}): {why}; {TO_ALLOW}, once it runs"
            )
            yield Finding("note", "permission", text)
        else:
            when = "now" if running else "at the next start"
            yield Finding("ok", "permission", f"transmit allowed {when} ({folder})")
    first = first_session(settings)
    if not any_saved and first.tx_allowed:
        yield Finding("ok", "permission", "transmit allowed at the next start, the first one")
    elif not any_saved:
        why = why_inhibited(first, settings)
        text = f"transmit inhibited at the next start, the first one: {why}; {TO_ALLOW}"
        yield Finding("note", "permission", f"{text}, once it runs")
