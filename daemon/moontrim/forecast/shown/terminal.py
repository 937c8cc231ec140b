"""A forecast as tables on a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, tzinfo

import numpy as np
from rich.console import Console
from rich.table import Table
from rich.text import Text

from moontrim.forecast.compute import Forecast
from moontrim.forecast.shown.words import (
    day_text,
    hz_text,
    is_utc,
    span_text,
    zone_label,
    zone_text,
)
from moontrim.forecast.signal import in_bandwidth_db
from moontrim.forecast.tonight import tonight
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


def sparkline(values: Array, top: float, width: int = SPARK_WIDTH) -> Text:
    """Returns values as blocks of heights 0 to top, each the average of its share of the samples,
    coloured by thirds."""
    parts = np.array_split(values, min(width, values.size))
    text = Text()
    for part in parts:
        share = float(np.clip(part.mean() / top, 0.0, 1.0)) if top > 0.0 else 0.0
        block = BLOCKS[min(int(share * len(BLOCKS)), len(BLOCKS) - 1)]
        text.append(block, style=COLOURS[min(int(share * len(COLOURS)), len(COLOURS) - 1)])
    return text


def show_forecasts(
    forecasts: Sequence[Forecast], zone: tzinfo | None, console: Console | None = None
) -> None:
    """Prints a table per partner and, for several, a ranking for the first 24 hours."""
    console = console or Console()
    for forecast in forecasts:
        _show_one(console, forecast, zone)
    if len(forecasts) > 1:
        _show_tonight(console, forecasts, zone)


def _show_one(console: Console, forecast: Forecast, zone: tzinfo | None) -> None:
    question = forecast.question
    what = "home, echoes" if question.partner is None else f"home with {question.partner.name}"
    console.print(
        f"[bold]{what}[/bold]  {megahertz(question.frequency_hz)}  "
        f"{day_text(forecast.from_utc_s)} to {day_text(forecast.until_utc_s)}",
        highlight=False,
    )
    if not forecast.windows:
        console.print("  no window", style="yellow")
        console.print()
        return
    top = max(float(window.series.spread_hz.max()) for window in forecast.windows)
    table = Table(box=None, header_style="dim", padding=(0, 1, 0, 0))
    headings = [
        (_heading(forecast, zone), "left"),
        ("elev.\nmax °", "right"),
        ("spread Hz\nlimb to limb", "left"),
        ("low-spread periods\nUTC, mean Hz", "left"),
        ("loss\ndB", "right"),
        ("noise\nK", "right"),
    ]
    signal = any(
        w.series.home.snr_db is not None or w.series.far.snr_db is not None
        for w in forecast.windows
    )
    if signal:
        headings.append(("S/N\ndB", "right"))
    for heading, side in headings:
        table.add_column(heading, justify="right" if side == "right" else "left", no_wrap=True)
    for window in forecast.windows:
        table.add_row(*_cells(forecast, window, top, zone, signal))
    console.print(table)
    _show_legend(console, forecast, signal)
    console.print()


def _cells(
    forecast: Forecast, window: Window, top: float, zone: tzinfo | None, signal: bool
) -> list[Text]:
    s = window.series
    start, end = window.start_utc_s, window.end_utc_s
    when = Text(f"{day_text(start)} {span_text(start, end)}\n")
    when.append(_local(start, end, zone), "dim")
    highest = f"{window.home_max_elevation.elevation_deg:.0f}"
    if not window.own_echo:
        highest += f"/{window.far_max_elevation.elevation_deg:.0f}"
    spread = sparkline(s.spread_hz, top)
    spread.append(f"\n{hz_text(window.min_spread_hz)} to {hz_text(float(s.spread_hz.max()))}")
    cells = [
        when,
        Text(highest),
        spread,
        Text("\n").join(_low_spread(one) for one in window.low_spread[:PERIODS_SHOWN]),
        Text(f"{s.path_loss_db.min():.1f}"),
        Text(grouped(s.home.antenna_k.min())),
    ]
    if signal:
        cells.append(_signal(forecast, window))
    return cells


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


def _low_spread(period: LowSpread) -> Text:
    span = span_text(period.start_utc_s, period.end_utc_s)
    return Text(f"{span} {hz_text(period.mean_hz):>4}")


def _signal(forecast: Forecast, window: Window) -> Text:
    """Returns the maximum signal-to-noise ratio of the weaker direction, the margin below it."""
    s = window.series
    known = [end.snr_db for end in (s.home, s.far) if end.snr_db is not None]
    if not known:
        return Text("?")
    highest = float(np.min(known, axis=0).max())
    text = Text(f"{highest:+.1f}")
    margin = window.max_margin_db
    if margin is not None:
        text.append(f"\n{margin:+.1f}", "bold green" if margin >= 0.0 else "red")
    elif forecast.question.signal.bandwidth_hz != 2500.0:
        in_bandwidth = in_bandwidth_db(highest, forecast.question.signal.bandwidth_hz)
        text.append(f"\n{in_bandwidth:+.1f}", "dim")
    return text


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


def _show_tonight(console: Console, forecasts: Sequence[Forecast], zone: tzinfo | None) -> None:
    console.print("[bold]partners ranked for the first 24 hours[/bold]", highlight=False)
    choices = tonight(forecasts)
    if not choices:
        console.print("  nobody", style="yellow")
        return
    table = Table(box=None, header_style="dim", padding=(0, 2, 0, 0))
    edges = [at for one in choices for at in (one.period.start_utc_s, one.period.end_utc_s)]
    local = "" if is_utc(zone, *edges) else zone_label(zone, edges[0], edges[-1])
    for heading in ("partner", "UTC", local.replace(" ", "\n"), "spread\nHz", "margin\ndB"):
        right = heading in ("spread\nHz", "margin\ndB")
        table.add_column(heading, justify="right" if right else "left", no_wrap=True)
    for choice in choices:
        start, end = choice.period.start_utc_s, choice.period.end_utc_s
        table.add_row(
            choice.partner
            if len(choice.partner) <= NAME_WIDTH
            else (choice.partner[: NAME_WIDTH - 1] + "…"),
            f"{day_text(start, UTC)} {span_text(start, end)}",
            _local(start, end, zone),
            hz_text(choice.period.mean_hz),
            "-" if choice.margin_db is None else f"{choice.margin_db:+.1f}",
        )
    console.print(table)
