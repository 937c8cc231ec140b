"""A session, added up and held against the path solved once more: all that the page and the summary
are made from."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.path import Ephemeris
from moontrim.report import words
from moontrim.report.facts import Facts, facts_of
from moontrim.report.recomputed import Difference, Recomputed, difference, recompute
from moontrim.report.recorded import Recorded


@dataclass(frozen=True)
class SessionReport:
    """earth_rotation: how well the tables used now know the Earth's turn of that day, in words."""

    recorded: Recorded
    facts: Facts
    again: Recomputed
    difference: Difference | None
    made_utc_s: float
    earth_rotation: str

    @property
    def verdict(self) -> list[str]:
        return words.verdict(self.facts, self.difference)

    @property
    def ending(self) -> str:
        return words.ending(self.recorded, self.facts, self.made_utc_s)


def report_of(recorded: Recorded, ephemeris: Ephemeris, now_utc_s: float) -> SessionReport:
    """Add the session up and solve its path once more."""
    again = recompute(ephemeris, recorded)
    return SessionReport(
        recorded=recorded,
        facts=facts_of(recorded),
        again=again,
        difference=difference(recorded, again),
        made_utc_s=now_utc_s,
        earth_rotation=words.earth_rotation(ephemeris, recorded),
    )
