"""`moontrim forecast`: windows, spread, loss, noise and signal of the coming days."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from moontrim.cli.arguments import add_config
from moontrim.cli.forecastoutputs import (
    StretchOutputs,
    WindowOutputs,
    stretch_outputs,
    window_outputs,
)
from moontrim.cli.forecastquestions import Work, work_of
from moontrim.cli.parser import add_command
from moontrim.cli.progressbar import ProgressBar
from moontrim.clock.system import SystemClock
from moontrim.forecast.compute import Forecast, forecasts
from moontrim.forecast.good import limits_of
from moontrim.forecast.notes import notes_on

DAY_S = 86400.0
# Chosen: shorter work is done before a bar could be read.
BAR_FROM_DAYS = 90.0


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
    command.add_argument(
        "--good",
        action="store_true",
        help="list only stretches of at least ten minutes with the spread below --max-spread, and "
        "the signal above the threshold of the config if both are known; the best first",
    )
    command.add_argument("--table", action="store_true", help="print a table (default)")
    command.add_argument(
        "--json", action="store_true", help="print JSON: a list of windows, partner by partner"
    )
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
        "--calendar",
        type=Path,
        metavar="FILE",
        help="write an iCalendar file (FILE.ics), an event for each window, or stretch of --good",
    )


def call(options: argparse.Namespace) -> int:
    work = work_of(options, SystemClock().utc_s())
    questions = work.questions
    span_days = (questions[0].until_utc_s - questions[0].from_utc_s) / DAY_S
    long = span_days * len(questions) >= BAR_FROM_DAYS or options.plot is not None
    bar = ProgressBar([question.partner_name for question in questions], long)
    outputs = (
        stretch_outputs(options, work.zone)
        if options.good
        else window_outputs(options, work.zone, len(questions) > 1, bar)
    )
    done = _work_through(work, outputs, bar)
    files = [line for output in outputs.outputs for line in output.finish()]
    notes = [f"wrote {file}" for file in files] + notes_on(done)
    if options.good and (options.json or (files and not options.table)):
        notes.insert(0, f"good stretches: {'; '.join(limits_of(questions[0]))}")
    for note in notes:
        print(f"moontrim: {note}", file=sys.stderr)
    return 0 if outputs.listed else 1


def _work_through(
    work: Work, outputs: WindowOutputs | StretchOutputs, bar: ProgressBar
) -> list[Forecast]:
    """Makes and writes the forecasts one at a time: none is held while the next is made. Returns
    them without their windows."""
    made = forecasts(work.ephemeris, work.questions, bar.work)
    done: list[Forecast] = []
    while len(done) < len(work.questions):
        with bar.shown():
            forecast = next(made)
            if not outputs.prints:
                outputs.add(forecast)
        if outputs.prints:
            outputs.add(forecast)
        done.append(replace(forecast, windows=()))
        del forecast
        bar.next()
    return done
