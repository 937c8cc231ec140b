"""A session added up, and compared with the path recomputed, for the page and the summary."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.path import Ephemeris
from moontrim.report import words
from moontrim.report.facts import Facts, facts_of
from moontrim.report.recomputed import Difference, Recomputed, difference, recompute
from moontrim.report.recorded import Recorded


@dataclass(frozen=True)
class SessionReport:
    """A report. made_utc_s: when. earth_orientation: how well the tables used now know that of the
    day, as text."""

    recorded: Recorded
    facts: Facts
    again: Recomputed
    difference: Difference | None
    made_utc_s: float
    earth_orientation: str

    @property
    def verdict(self) -> list[str]:
        """The result in a few sentences."""
        return words.verdict(self.facts, self.difference)

    @property
    def ending(self) -> str:
        """How the session ended, as text."""
        return words.ending(self.recorded, self.facts, self.made_utc_s)


def report_of(recorded: Recorded, ephemeris: Ephemeris, now_utc_s: float) -> SessionReport:
    """Adds the session up and recomputes its path. now_utc_s: when the report is made."""
    again = recompute(ephemeris, recorded)
    return SessionReport(
        recorded=recorded,
        facts=facts_of(recorded),
        again=again,
        difference=difference(recorded, again),
        made_utc_s=now_utc_s,
        earth_orientation=words.earth_orientation(ephemeris, recorded),
    )
