"""A session, added up and held against the path solved once more: all that the page and the summary
are made from."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.journal import reportwords
from moontrim.journal.reportcheck import Difference, Recomputed, difference, recompute
from moontrim.journal.reportdata import Recorded
from moontrim.journal.reportfacts import Facts, facts_of
from moontrim.path import Ephemeris


@dataclass(frozen=True)
class Report:
    """earth_rotation: how well the tables used now know the Earth's turn of that day, in words."""

    recorded: Recorded
    facts: Facts
    again: Recomputed
    difference: Difference | None
    made_utc_s: float
    earth_rotation: str

    @property
    def verdict(self) -> list[str]:
        return reportwords.verdict(self.facts, self.difference)

    @property
    def ending(self) -> str:
        return reportwords.ending(self.recorded, self.facts, self.made_utc_s)


def report_of(recorded: Recorded, ephemeris: Ephemeris, now_utc_s: float) -> Report:
    """Add the session up and solve its path once more."""
    again = recompute(ephemeris, recorded)
    return Report(
        recorded=recorded,
        facts=facts_of(recorded),
        again=again,
        difference=difference(recorded, again),
        made_utc_s=now_utc_s,
        earth_rotation=reportwords.earth_rotation(ephemeris, recorded),
    )
