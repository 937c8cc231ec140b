"""Good stretches of all partners, ranked: as a table on a terminal, and for JSON."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any, TextIO

from rich.console import Console

from moontrim.forecast.compute import Forecast
from moontrim.forecast.good import GoodStretch, limits_of
from moontrim.forecast.shown.columns import Cell, cell, show_columns
from moontrim.forecast.shown.plain import JsonWindows, low_spread_as_plain
from moontrim.forecast.shown.terminal import margin_style, name_text, when_cell
from moontrim.forecast.shown.words import day_text, hz_text, is_utc, zone_label
from moontrim.forecast.tonight import ranked
from moontrim.formats import megahertz


class GoodTable:
    """A table of the good stretches of all partners, the most promising first, printed at the
    end."""

    def __init__(self, zone: tzinfo | None, console: Console | None = None) -> None:
        self._zone, self._console = zone, console or Console()
        self._title: list[str] = []
        self._stretches: list[GoodStretch] = []

    def add_stretches(self, forecast: Forecast, stretches: Iterable[GoodStretch]) -> None:
        """Collects the stretches of a partner."""
        question = forecast.question
        self._title = [
            f"[bold]good stretches[/bold]  {megahertz(question.frequency_hz)}  "
            f"{day_text(forecast.from_utc_s)} to {day_text(forecast.until_utc_s)}",
            *(f"  [dim]{limit}[/dim]" for limit in limits_of(question)),
        ]
        self._stretches += stretches

    def finish(self) -> list[str]:
        """Prints the table. Returns nothing: there is no file."""
        for line in self._title:
            self._console.print(line, highlight=False)
        if self._stretches:
            stretches, zone = ranked(self._stretches), self._zone
            margins = any(one.margin_db is not None for one in stretches)
            headings = _headings(stretches, zone, margins)
            show_columns(self._console, headings, _Rows(stretches, zone, margins))
        else:
            self._console.print("  no good stretch", style="yellow")
        return []


def _headings(
    stretches: Sequence[GoodStretch], zone: tzinfo | None, margins: bool
) -> list[tuple[str, bool]]:
    edges = [at for one in stretches for at in (one.period.start_utc_s, one.period.end_utc_s)]
    local = "" if is_utc(zone, *edges) else f"\n{zone_label(zone, edges[0], edges[-1])}"
    return [
        ("rank", True),
        ("partner", False),
        (f"stretch UTC{local}", False),
        ("length\nh:min", True),
        ("spread Hz\nlimb to limb", False),
        ("elev.\nmax °", True),
        *([("margin\ndB", True)] if margins else []),
    ]


@dataclass(frozen=True)
class _Rows:
    """Rows of the table, made anew each time they are gone through."""

    stretches: Sequence[GoodStretch]
    zone: tzinfo | None
    margins: bool

    def __iter__(self) -> Iterator[list[Cell]]:
        for rank, one in enumerate(self.stretches, start=1):
            period = one.period
            minutes = round((period.end_utc_s - period.start_utc_s) / 60.0)
            elevation = f"{one.home_max_deg:.0f}"
            if one.partner != "self":
                elevation += f"/{one.far_max_deg:.0f}"
            row = [
                cell(f"{rank}"),
                cell(name_text(one.partner)),
                when_cell(period.start_utc_s, period.end_utc_s, self.zone),
                cell(f"{minutes // 60}:{minutes % 60:02d}"),
                cell(
                    f"mean {hz_text(period.mean_hz)}\n"
                    f"{hz_text(period.min_hz)} to {hz_text(period.max_hz)}"
                ),
                cell(elevation),
            ]
            if self.margins:
                row.append(
                    cell("-")
                    if one.margin_db is None
                    else cell(f"{one.margin_db:+.1f}", margin_style(one.margin_db))
                )
            yield row


class GoodJson:
    """A JSON list of the good stretches of all partners, the most promising first, printed at the
    end."""

    def __init__(self, out: TextIO) -> None:
        self._json = JsonWindows(out)
        self._threshold_db: float | None = None
        self._stretches: list[GoodStretch] = []

    def add_stretches(self, forecast: Forecast, stretches: Iterable[GoodStretch]) -> None:
        """Collects the stretches of a partner."""
        self._threshold_db = forecast.question.signal.threshold_db
        self._stretches += stretches

    def finish(self) -> list[str]:
        """Prints the list. Returns nothing: there is no file."""
        for rank, stretch in enumerate(ranked(self._stretches), start=1):
            self._json.item(self._as_plain(rank, stretch))
        return self._json.finish()

    def _as_plain(self, rank: int, stretch: GoodStretch) -> dict[str, Any]:
        return {
            "rank": rank,
            "partner": stretch.partner,
            "frequency_hz": stretch.frequency_hz,
            **low_spread_as_plain(stretch.period),
            "max_spread_hz": round(stretch.limit_hz, 3),
            "max_elevation_deg": {
                "home": round(stretch.home_max_deg, 2),
                "partner": round(stretch.far_max_deg, 2),
            },
            "mean_margin_db": None if stretch.margin_db is None else round(stretch.margin_db, 3),
            "threshold_db": self._threshold_db,
        }
