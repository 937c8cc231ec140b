"""The daemon's state for a person: a live panel on a terminal, otherwise lines in the log. Both are
made from snapshots only."""

from __future__ import annotations

import logging
import select
import sys
from typing import IO

from rich.console import Console, Group
from rich.live import Live
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from moontrim.app.daemon import Daemon
from moontrim.clock.system import SystemClock
from moontrim.formats import count, grouped, iso
from moontrim.session.sessionfile import TO_ALLOW
from moontrim.state.agendaview import next_text
from moontrim.state.snapshot import DialView, Snapshot, Tracking, trim_text
from moontrim.timekeeping.clockview import ClockView
from moontrim.tuning.correction import descriptions

log = logging.getLogger(__name__)

CONSOLE = Console(stderr=True)
REFRESH_S = 0.5  # chosen: a dial moves about once a second
LINE_EVERY_S = 60.0  # chosen: a day of log is 1440 lines
GAUGE_CELLS = 15  # odd, for a cell in the middle
WIDEST = 100  # chosen: in a wider panel the eye loses the line
GAUGE_FROM = 96  # columns; on a narrower terminal the gauge would cost digits

_COLOUR = {
    Tracking.ON_FREQUENCY: "bold green",
    Tracking.HELD_KEYED: "bold yellow",
    Tracking.PAUSED: "bold yellow",
    Tracking.STARTING: "bold yellow",
    Tracking.MOON_TOO_LOW: "bold yellow",
}


_LOGGED_AS_FAULT = (Tracking.NO_CONTACT, Tracking.RADIO_NOT_SUITABLE)


async def log_view(daemon: Daemon) -> None:
    """Logs one line a minute, and one whenever the tracking state changes, until cancelled. A radio
    that cannot be reached is logged as a fault already."""
    last, next_s = None, 0.0
    while True:
        snapshot = await daemon.hub.next()
        changed = snapshot.tracking is not last
        if not changed and snapshot.utc_s < next_s:
            continue
        if changed and snapshot.tracking not in _LOGGED_AS_FAULT:
            level = logging.INFO if snapshot.tracking in _COLOUR else logging.WARNING
            log.log(
                level, "%s%s", snapshot.verdict, f": {snapshot.reason}" if snapshot.reason else ""
            )
        last, next_s = snapshot.tracking, snapshot.utc_s + LINE_EVERY_S
        log.info("%s", status_line(snapshot))


def status_line(snapshot: Snapshot) -> str:
    """Returns the essentials of a snapshot in one plain line."""
    name = f" {snapshot.sked}" if snapshot.sked else ""
    parts = [f"{snapshot.band} sked{name} {grouped(snapshot.sked_hz)} Hz"]
    for name, dial in (("rx", snapshot.rx), ("tx", snapshot.tx)):
        if dial is None:
            continue
        parts.append(f"{name} correction {grouped(dial.correction_hz, 1, sign=True)} Hz")
        if dial.dial_hz is not None and dial.residual_hz is not None:
            residual = grouped(dial.residual_hz, 2, sign=True)
            parts.append(f"dial {grouped(dial.dial_hz)} Hz, residual {residual} Hz")
    if trims := trim_text(snapshot.rx_trim_hz, snapshot.tx_trim_hz):
        parts.append(trims)
    if snapshot.moon is not None:
        parts.append(
            f"Moon az {snapshot.moon.azimuth_deg:.1f} el {snapshot.moon.elevation_deg:.1f}"
        )
    return ", ".join(parts)


def show(text: str) -> None:
    """Prints a text for the person at the terminal, above the panel if there is one."""
    CONSOLE.print(text, markup=False, highlight=False, soft_wrap=True)


async def live_view(daemon: Daemon) -> None:
    """Draws the panel, twice a second of real time, until cancelled."""
    wall = SystemClock()
    with Live(console=CONSOLE, auto_refresh=False, transient=False) as live:
        while True:
            if daemon.hub.latest is not None and takes_output(CONSOLE.file):
                live.update(panel(daemon.hub.latest, CONSOLE.width), refresh=True)
            await wall.sleep(REFRESH_S)


def takes_output(terminal: IO[str]) -> bool:
    """Does the terminal take output now? Not after Ctrl-S: writing would then stop the daemon."""
    try:
        return bool(select.select([], [terminal], [], 0.0)[1])
    except (OSError, ValueError):  # a file or a pipe without a descriptor; Ctrl-S does not stop it
        return True


def panel(snapshot: Snapshot, columns: int) -> Panel:
    """Returns the panel for one snapshot, on a terminal of so many columns."""
    top = Text()
    top.append(
        f" {snapshot.tracking.upper()}{snapshot.verdict.removeprefix(snapshot.tracking)} ",
        style=_COLOUR.get(snapshot.tracking, "bold red") + " reverse",
    )
    if snapshot.transmitting:
        top.append("  TRANSMITTING", style="bold red")
    if snapshot.reason:
        top.append(f"  {snapshot.reason}")
    grid = Table.grid(padding=(0, 2))
    grid.add_column(style="dim")
    grid.add_column()
    sked = Text(f"{grouped(snapshot.sked_hz)} Hz", style="bold")
    grid.add_row("sked", Text.assemble(sked, f"  {snapshot.sked}") if snapshot.sked else sked)
    trims = trim_text(snapshot.rx_trim_hz, snapshot.tx_trim_hz)
    grid.add_row("trim", trims.removeprefix("trim ") or "none")
    echoes = snapshot.partner == "self"
    who_corrects = descriptions(own_echo=echoes)[snapshot.agreement]
    grid.add_row("agreement", f"{snapshot.agreement}: {who_corrects}")
    place = snapshot.partner_place
    where = f" ({place})" if place not in ("", snapshot.partner) else ""
    grid.add_row("partner", Text("self (echoes)" if echoes else snapshot.partner + where))
    if (moon := snapshot.moon) is not None:
        where = f"azimuth {moon.azimuth_deg:5.1f}°  elevation {moon.elevation_deg:5.1f}°"
        if moon.partner_elevation_deg is not None:
            where += f"  (partner {moon.partner_elevation_deg:.1f}°)"
        if snapshot.outlook is not None:
            up = moon.elevation_deg > 0.0
            next_s = snapshot.outlook.moon_sets_utc_s if up else snapshot.outlook.moon_rises_utc_s
            if next_s is not None:
                where += f"  Moon {'sets' if up else 'rises'} {iso(next_s)[11:16]}"
        grid.add_row("Moon", where)
    if snapshot.agenda is not None and snapshot.agenda.next is not None:
        grid.add_row("next", Text(next_text(snapshot.agenda.next, snapshot.utc_s)))
    link = snapshot.link
    grid.add_row(
        "radio",
        f"{link.state}, {count(link.sets, 'update')}, {1e3 * link.set_latency_s:.0f} ms each, "
        f"{count(link.failures, 'failure')}",
    )
    missed = grouped(snapshot.missed_seconds)
    grid.add_row("seconds", f"{grouped(snapshot.ticks)} tracked, {missed} missed")
    if snapshot.clock is not None:
        grid.add_row("clock", _clock(snapshot.clock))
    if snapshot.outlook is not None and snapshot.outlook.budgets is not None:
        rx, tx = (budget.error_95_hz for budget in snapshot.outlook.budgets)
        errors = f"±{grouped(rx, 2)} Hz receive, ±{grouped(tx, 2)} Hz transmit"
        grid.add_row("frequency error (95 %)", errors)
    if not snapshot.tx_allowed:
        grid.add_row("TX", Text(f"inhibited; {TO_ALLOW}", style="yellow"))
    if snapshot.link.interlock:
        grid.add_row("TX interlock", Text(snapshot.link.interlock, style="yellow"))
    for text in snapshot.warnings:
        grid.add_row("warnings", Text(text, style="yellow"))
    if snapshot.last_fault is not None:
        grid.add_row(
            "last fault", f"{iso(snapshot.last_fault.at_utc_s)} {snapshot.last_fault.text}"
        )
    return Panel(
        Group(top, Text(), _dials(snapshot, gauge=columns >= GAUGE_FROM), Text(), grid),
        title=f"moontrim  {snapshot.band}",
        subtitle=iso(snapshot.utc_s),
        width=min(columns, WIDEST),
    )


def _clock(clock: ClockView) -> Text:
    """Returns how well the clock is known."""
    if clock.doubt:
        return Text(clock.doubt, style="yellow")
    if clock.bound_ms is None:
        return Text("accuracy unknown, accepted without confirmation", style="yellow")
    cost = "" if clock.cost_hz is None else f" = ±{clock.cost_hz:.2f} Hz"
    return Text(f"within ±{clock.bound_ms:.0f} ms{cost} ({clock.source})")


def _dials(snapshot: Snapshot, *, gauge: bool) -> Table:
    """Returns the table of both dials. It never wraps: a frequency broken at its groups reads as
    three wrong ones."""
    table = Table(box=None, header_style="dim", padding=(0, 1, 0, 0), pad_edge=False, expand=True)
    for name, unit in (
        ("", ""),
        ("on the air", "Hz"),
        ("correction", "Hz"),
        ("rate", "Hz/s"),
        ("dial", "Hz"),
        ("residual", "Hz"),
    ):
        table.add_column(f"{name}\n{unit}", justify="right" if name else "left", no_wrap=True)
    if gauge:
        table.add_column("low   ok   high", justify="center", no_wrap=True)
    step_hz = float(snapshot.link.dial_resolution_hz)
    for name, dial in (("receive", snapshot.rx), ("transmit", snapshot.tx)):
        if dial is not None:
            cells = [name, *_cells(dial, step_hz)]
            table.add_row(*cells[: len(table.columns)])
    return table


def _cells(dial: DialView, step_hz: float) -> tuple[str | Text, ...]:
    """Returns the cells of one dial, the gauge last."""
    known = dial.dial_hz is not None and dial.residual_hz is not None
    return (
        grouped(dial.on_air_hz, 1),
        grouped(dial.correction_hz, 1, sign=True),
        grouped(dial.rate_hz_per_s, 3, sign=True),
        grouped(dial.dial_hz) if dial.dial_hz is not None else "-",
        grouped(dial.residual_hz, 2, sign=True) if dial.residual_hz is not None else "-",
        _gauge(dial.residual_hz, step_hz) if known and dial.residual_hz is not None else Text("-"),
    )


def _gauge(residual_hz: float, step_hz: float) -> Text:
    """Returns a gauge that shows where the dial is, from one step below ideal to one above."""
    middle = GAUGE_CELLS // 2
    share = max(-1.0, min(1.0, residual_hz / step_hz))
    at = middle + round(share * middle)
    style = "green" if abs(residual_hz) <= 0.6 * step_hz else "red"
    text = Text("".join("|" if i == middle else "·" for i in range(GAUGE_CELLS)), style="dim")
    return text[:at] + Text("●", style=style) + text[at + 1 :]


def on_terminal() -> bool:
    """Is standard error a terminal, so that a person may be reading it?"""
    return sys.stderr.isatty()
