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

from moontrim.cli.arguments import add_config
from moontrim.cli.forecastquestions import Work, work_of
from moontrim.cli.parser import add_command
from moontrim.clock.system import SystemClock
from moontrim.forecast.compute import Forecast, forecast

DAY_S = 86400.0
# Chosen: shorter work is done before a bar could be read.
BAR_FROM_DAYS = 90.0
BAR_FROM_PAGES = 8


def add(commands: Any) -> None:
    command = add_command(
        commands,
        "forecast",
        call,
        example="--home JN88DD --partner KP20NF --frequency 10368.1e6 --days 30",
    )
    add_config(command)
    command.add_argument(
        "--home",
        metavar="LOC",
        help="home: Maidenhead locator, or lat,lon,height_m (default: [home] of the config)",
    )
    command.add_argument(
        "--partner",
        action="append",
        metavar="LOC|NAME|self",
        help="partner: a place, a name in the config, or self for your own echoes; repeat for "
        "several (default: all of the config)",
    )
    where = command.add_mutually_exclusive_group()
    where.add_argument("--band", metavar="NAME", help="band of the config (default: the first)")
    where.add_argument("--frequency", metavar="HZ", help="frequency on the air, e.g. 10368.1e6")
    command.add_argument("--days", metavar="N", help="days to search (default: config, else 30)")
    command.add_argument(
        "--from", dest="start", metavar="ISO8601", help="start of the search (default: now)"
    )
    command.add_argument(
        "--min-elevation",
        metavar="DEG",
        help="lowest apparent elevation of the Moon, every station (default: config, else 0)",
    )
    command.add_argument(
        "--horizon",
        metavar="AZ:EL,...",
        help="horizon at home: azimuth and elevation in degrees, azimuths ascending (default: "
        "config)",
    )
    command.add_argument(
        "--max-spread",
        metavar="HZ",
        help="largest limb-to-limb spread of a low-spread period (default: config)",
    )
    command.add_argument(
        "--timezone", metavar="NAME", help="time zone of local times (default: of this machine)"
    )
    command.add_argument("--table", action="store_true", help="print a table (default)")
    command.add_argument("--json", action="store_true", help="print JSON: a list of windows")
    command.add_argument(
        "--csv", type=Path, metavar="FILE", help="write a CSV file with one row per minute"
    )
    command.add_argument(
        "--plot",
        type=Path,
        metavar="FILE",
        help="write plots to FILE.png or FILE.svg: an overview, and one page per window",
    )
    command.add_argument(
        "--calendar", type=Path, metavar="FILE", help="write an iCalendar file (FILE.ics)"
    )


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
