"""`moontrim forecast`: windows, spread, loss, noise and signal of the coming days."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import tzinfo
from pathlib import Path
from typing import Any

from moontrim.cli.arguments import add_command, add_config
from moontrim.cli.forecastquestions import Work, work_of
from moontrim.clock.system import SystemClock
from moontrim.forecast.compute import Forecast, forecast

DAY_S = 86400.0
# Chosen: shorter work is done before a bar could be read.
BAR_FROM_DAYS = 90.0
BAR_FROM_PAGES = 8


def add(commands: Any) -> None:
    command = add_command(commands, "forecast", call)
    add_config(command)
    command.add_argument("--home", metavar="LOC", help="locator, or lat,lon,height_m")
    command.add_argument(
        "--partner",
        action="append",
        metavar="LOC|NAME|self",
        help="a place, a partner of the config by name, or our own echo; may be given several "
        "times. Left out: all of the config's",
    )
    where = command.add_mutually_exclusive_group()
    where.add_argument("--band", metavar="NAME", help="a band of the config")
    where.add_argument("--frequency", metavar="HZ", help="on the air, e.g. 10368.1e6")
    command.add_argument("--days", metavar="N", help="30 if neither this nor the config says")
    command.add_argument("--from", dest="start", metavar="ISO8601", help="now if left out")
    command.add_argument(
        "--min-elevation", metavar="DEG", help="at every station; apparent, with refraction"
    )
    command.add_argument(
        "--horizon",
        metavar="AZ:EL,...",
        help="home's horizon: azimuth and elevation in degrees, azimuths ascending",
    )
    command.add_argument(
        "--max-spread", metavar="HZ", help="limb to limb, what counts as a good stretch"
    )
    command.add_argument("--timezone", metavar="NAME", help="for local times; the system's")
    command.add_argument("--table", action="store_true", help="on the terminal (the default)")
    command.add_argument("--json", action="store_true", help="a list of windows")
    command.add_argument("--csv", type=Path, metavar="FILE", help="a row a minute")
    command.add_argument(
        "--plot",
        type=Path,
        metavar="FILE",
        help="FILE.png or FILE.svg: a month on a page, and beside it a page for every window",
    )
    command.add_argument("--calendar", type=Path, metavar="FILE", help="iCalendar, as FILE.ics")


def call(options: argparse.Namespace) -> int:
    work = work_of(options, SystemClock().utc_s())
    forecasts = _forecast_all(work)
    _write(options, work.zone, forecasts)
    for note in dict.fromkeys(note for one in forecasts for note in one.notes):
        print(f"moontrim: {note}", file=sys.stderr)
    return 0 if any(one.windows for one in forecasts) else 1


def _forecast_all(work: Work) -> list[Forecast]:
    """Makes the forecasts, with a progress bar on the terminal for long ones."""
    questions = work.questions
    span_days = (questions[0].until_utc_s - questions[0].from_utc_s) / DAY_S
    forecasts = []
    with _bars(span_days * len(questions) >= BAR_FROM_DAYS) as bar:
        for question in questions:
            forecasts.append(forecast(work.ephemeris, question, bar(question.partner_name)))
    return forecasts


@contextmanager
def _bars(wanted: bool) -> Iterator[Callable[[str], Callable[[float], None] | None]]:
    """Yields a function that makes a progress bar by name; a bar is a function of the fraction
    done. Without a terminal, or if not wanted, it makes None."""
    if not (wanted and sys.stderr.isatty()):
        yield lambda name: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as progress:

        def bar(name: str) -> Callable[[float], None]:
            task = progress.add_task(name, total=1.0)
            return lambda fraction: progress.update(task, completed=fraction)

        yield bar


def _write(options: argparse.Namespace, zone: tzinfo | None, forecasts: list[Forecast]) -> None:
    """Writes the files and prints what the options request."""
    files: list[str] = []
    if options.csv is not None:
        from moontrim.forecast.shown.plain import write_csv

        files.append(f"{options.csv}: {write_csv(forecasts, options.csv)} rows")
    if options.calendar is not None:
        from moontrim.forecast.shown.calendar import write_calendar

        events = write_calendar(forecasts, options.calendar, zone)
        files.append(f"{options.calendar}: {events} events")
    if options.plot is not None:
        from moontrim.forecast.shown.pages import write_pages

        pages = sum(1 + len(one.windows) for one in forecasts)
        with _bars(pages >= BAR_FROM_PAGES) as bar:
            written = write_pages(forecasts, options.plot, zone, bar("pages"))
        files.extend(str(path) for path in written)
    if options.json:
        from moontrim.forecast.shown.plain import as_plain

        print(json.dumps(as_plain(forecasts), indent=1))
    elif options.table or not files:
        from moontrim.forecast.shown.terminal import show_forecasts

        show_forecasts(forecasts, zone)
    for line in files:
        print(f"moontrim: wrote {line}", file=sys.stderr)
