"""A forecast as tables on a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, tzinfo

import numpy as np
from rich.console import Console
from rich.markup import escape

from moontrim.forecast.compute import Forecast
from moontrim.forecast.shown.columns import Cell, Piece, cell, show_columns
from moontrim.forecast.shown.words import (
    day_text,
    hz_text,
    is_utc,
    span_text,
    zone_label,
    zone_text,
)
from moontrim.forecast.signal import in_bandwidth_db
from moontrim.forecast.tonight import RankedPeriod, first_of_each, periods_of_a_day
from moontrim.forecast.window import LowSpread, Window
from moontrim.formats import grouped, megahertz, short
from moontrim.path.vectors import Array

# Heights of a sparkline's blocks, and its colours from low to high; widths in characters.
BLOCKS = "▁▂▃▄▅▆▇█"
SPARK_WIDTH = 12
NAME_WIDTH = 16
LABEL_WIDTH = 22  # of a window; longer names of zones are left out, each time has the short one
PERIODS_SHOWN = 2
COLOURS = ("green", "yellow", "red")


def sparkline(values: Array, top: float, width: int = SPARK_WIDTH) -> list[Piece]:
    """Returns values as blocks of heights 0 to top, each the average of its share of the samples,
    coloured by thirds."""
    width = min(width, values.size)
    each, more = divmod(values.size, width)
    k = np.arange(width + 1)
    edges = k * each + np.minimum(k, more)
    means = np.add.reduceat(values, edges[:-1]) / np.diff(edges)
    shares = np.clip(means / top, 0.0, 1.0) if top > 0.0 else np.zeros_like(means)
    return [
        (
            BLOCKS[min(int(share * len(BLOCKS)), len(BLOCKS) - 1)],
            COLOURS[min(int(share * len(COLOURS)), len(COLOURS) - 1)],
        )
        for share in shares.tolist()
    ]


class Tables:
    """A table per partner, printed as it comes, and for several partners a ranking for the first 24
    hours at the end."""

    def __init__(self, zone: tzinfo | None, console: Console | None = None) -> None:
        self._zone, self._console = zone, console or Console()
        self._partners = 0
        self._first_day: list[RankedPeriod] = []

    def add(self, forecast: Forecast) -> None:
        """Prints the table of a partner."""
        self._partners += 1
        self._first_day += periods_of_a_day(forecast)
        _show_one(self._console, forecast, self._zone)

    def finish(self) -> list[str]:
        """Prints the ranking. Returns nothing: there is no file."""
        if self._partners > 1:
            _show_tonight(self._console, first_of_each(self._first_day), self._zone)
        return []


def _show_one(console: Console, forecast: Forecast, zone: tzinfo | None) -> None:
    question = forecast.question
    what = "home, echoes" if question.partner is None else f"home with {question.partner.name}"
    console.print(
        f"[bold]{escape(what)}[/bold]  {megahertz(question.frequency_hz)}  "
        f"{day_text(forecast.from_utc_s)} to {day_text(forecast.until_utc_s)}",
        highlight=False,
    )
    if not forecast.windows:
        console.print("  no window", style="yellow")
        console.print()
        return
    top = max(float(window.series.spread_hz.max()) for window in forecast.windows)
    headings = [
        (_heading(forecast, zone), False),
        ("elev.\nmax °", True),
        ("spread Hz\nlimb to limb", False),
        ("low-spread periods\nUTC, mean Hz", False),
        ("loss\ndB", True),
        ("noise\nK", True),
    ]
    signal = any(
        w.series.home.snr_db is not None or w.series.far.snr_db is not None
        for w in forecast.windows
    )
    if signal:
        headings.append(("S/N\ndB", True))
    rows = [_cells(forecast, window, top, zone, signal) for window in forecast.windows]
    show_columns(console, headings, rows)
    _show_legend(console, forecast, signal)
    console.print()


def _cells(
    forecast: Forecast, window: Window, top: float, zone: tzinfo | None, signal: bool
) -> list[Cell]:
    s = window.series
    start, end = window.start_utc_s, window.end_utc_s
    highest = f"{window.home_max_elevation.elevation_deg:.0f}"
    if not window.own_echo:
        highest += f"/{window.far_max_elevation.elevation_deg:.0f}"
    cells: list[Cell] = [
        when_cell(start, end, zone),
        cell(highest),
        [
            sparkline(s.spread_hz, top),
            *cell(f"{hz_text(window.min_spread_hz)} to {hz_text(float(s.spread_hz.max()))}"),
        ],
        cell("\n".join(_low_spread(one) for one in window.low_spread[:PERIODS_SHOWN])),
        cell(f"{s.path_loss_db.min():.1f}"),
        cell(grouped(s.home.antenna_k.min())),
    ]
    if signal:
        cells.append(_signal(forecast, window))
    return cells


def when_cell(start: float, end: float, zone: tzinfo | None) -> Cell:
    """Returns a span by UTC, and by local time below it."""
    return [
        [(f"{day_text(start)} {span_text(start, end)}", "")],
        [(_local(start, end, zone), "dim")],
    ]


def _local(start: float, end: float, zone: tzinfo | None) -> str:
    """Returns a span by local time, with the day of the week where it differs from that in UTC;
    empty where local time is UTC."""
    if is_utc(zone, start, end):
        return ""
    local_day, utc_day = day_text(start, zone), day_text(start)
    day = "" if local_day == utc_day else local_day[:4]
    return f"{day}{span_text(start, end, zone)} {zone_text(start, zone)}"


def _heading(forecast: Forecast, zone: tzinfo | None) -> str:
    """Returns the heading of windows, with local time only where it differs from UTC."""
    edges = [at for window in forecast.windows for at in (window.start_utc_s, window.end_utc_s)]
    if is_utc(zone, *edges):
        return "window UTC"
    label = zone_label(zone, edges[0], edges[-1])
    return f"window UTC\n{label if len(label) <= LABEL_WIDTH else 'local'}"


def _low_spread(period: LowSpread) -> str:
    span = span_text(period.start_utc_s, period.end_utc_s)
    return f"{span} {hz_text(period.mean_hz):>4}"


def _signal(forecast: Forecast, window: Window) -> Cell:
    """Returns the maximum signal-to-noise ratio of the weaker direction, the margin below it."""
    s = window.series
    known = [end.snr_db for end in (s.home, s.far) if end.snr_db is not None]
    if not known:
        return cell("?")
    highest = float(np.min(known, axis=0).max())
    lines = [*cell(f"{highest:+.1f}")]
    margin = window.max_margin_db
    if margin is not None:
        lines += cell(f"{margin:+.1f}", margin_style(margin))
    elif forecast.question.signal.bandwidth_hz != 2500.0:
        in_bandwidth = in_bandwidth_db(highest, forecast.question.signal.bandwidth_hz)
        lines += cell(f"{in_bandwidth:+.1f}", "dim")
    return lines


def margin_style(margin_db: float) -> str:
    """Returns the style of a margin over the threshold."""
    return "bold green" if margin_db >= 0.0 else "red"


def _show_legend(console: Console, forecast: Forecast, signal: bool) -> None:
    ends = "" if forecast.question.partner is None else "elev.: maximum elevation, home/partner; "
    lines = [
        f"{ends}loss: minimum, isotropic antennas",
        "noise: minimum antenna temperature, home",
    ]
    if signal:
        below = ""
        if forecast.question.signal.threshold_db is not None:
            below = "; below it: maximum margin, less the estimated spread loss"
        elif forecast.question.signal.bandwidth_hz != 2500.0:
            below = f"; below it: in {short(forecast.question.signal.bandwidth_hz)} Hz"
        lines.append(f"S/N: maximum, weaker direction, in 2.5 kHz{below}")
    for line in lines:
        console.print(f"  {line}", style="dim", highlight=False)
    printed: set[str] = set()
    for window in forecast.windows:
        for remark in window.remarks:
            # A perigee may be near to several windows; an offset of polarisation is everywhere.
            if remark.text not in printed and remark.kind != "polarisation":
                printed.add(remark.text)
                day = day_text(window.start_utc_s)
                style = "yellow" if remark.kind == "sun in beam" else ""
                console.print(f"  {day}: {remark.text}", style=style, highlight=False)


def _show_tonight(console: Console, choices: Sequence[RankedPeriod], zone: tzinfo | None) -> None:
    console.print("[bold]partners ranked for the first 24 hours[/bold]", highlight=False)
    if not choices:
        console.print("  nobody", style="yellow")
        return
    edges = [at for one in choices for at in (one.period.start_utc_s, one.period.end_utc_s)]
    local = "" if is_utc(zone, *edges) else zone_label(zone, edges[0], edges[-1])
    headings = [
        ("partner", False),
        ("UTC", False),
        (local.replace(" ", "\n"), False),
        ("spread\nHz", True),
        ("margin\ndB", True),
    ]
    rows = []
    for choice in choices:
        start, end = choice.period.start_utc_s, choice.period.end_utc_s
        rows.append(
            [
                cell(name_text(choice.partner)),
                cell(f"{day_text(start, UTC)} {span_text(start, end)}"),
                cell(_local(start, end, zone)),
                cell(hz_text(choice.period.mean_hz)),
                cell("-" if choice.margin_db is None else f"{choice.margin_db:+.1f}"),
            ]
        )
    show_columns(console, headings, rows, padding=2)


def name_text(partner: str) -> str:
    """Returns a partner's name, cut where it is too long for a column."""
    return partner if len(partner) <= NAME_WIDTH else partner[: NAME_WIDTH - 1] + "…"
