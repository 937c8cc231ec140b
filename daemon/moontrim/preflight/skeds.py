"""The skeds of the config and those that were made: how many, and which cannot be chosen."""

from __future__ import annotations

from collections.abc import Iterator

from moontrim.config.settings import Settings
from moontrim.formats import count
from moontrim.preflight.finding import Finding
from moontrim.session.selection import selection_of
from moontrim.session.session import Session


def sked_findings(settings: Settings, session: Session) -> Iterator[Finding]:
    """Returns a line for all skeds, if there are any, and one for each that cannot be chosen."""
    known = selection_of(session, settings)
    if known.skeds:
        yield Finding("ok", "skeds", f"{count(len(known.skeds), 'sked')}, {len(known.made)} made")
    for name, problem in known.sked_problems:
        text = f"{name} cannot be chosen: {problem}; add it again, or: moontrim sked remove"
        yield Finding("note", "skeds", text)
