"""`moontrim report`: reports on a session, as a page for people and as rows for programs."""

from __future__ import annotations

import argparse
import json
import sqlite3
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from moontrim.cli.arguments import add_journal, ephemeris_of, settings_of
from moontrim.cli.parser import add_command
from moontrim.clock.system import SystemClock
from moontrim.errors import InputError
from moontrim.formats import grouped
from moontrim.path import Ephemeris
from moontrim.report.columns import COLUMNS

if TYPE_CHECKING:
    from moontrim.report.recorded import Recorded

PAGE = Path("report.html")


def add(commands: Any) -> None:
    columns = "\n".join(f"  {name:22} {meaning}" for name, (_, meaning) in COLUMNS.items())
    command = add_command(
        commands,
        "report",
        call,
        example="--config my.toml --csv session.csv",
        epilog=f"columns of --csv and --parquet, one row a second, empty if unknown:\n{columns}\n",
    )
    command.add_argument(
        "session", nargs="?", metavar="SESSION", help="number of the session (default: the last)"
    )
    add_journal(command)
    command.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help=f"page to write (default: {PAGE}, unless another output is chosen)",
    )
    command.add_argument(
        "--csv", type=Path, metavar="FILE", help="write a CSV file with one row per second"
    )
    command.add_argument(
        "--parquet", type=Path, metavar="FILE", help="write the same as a Parquet file"
    )
    command.add_argument(
        "--json", action="store_true", help="print the summary as JSON; with --list, the list"
    )
    command.add_argument("--list", action="store_true", help="list the recorded sessions")


def call(options: argparse.Namespace) -> int:
    from moontrim.journal.readonly import open_journal
    from moontrim.journal.schema import NAME
    from moontrim.report.recorded import read_session

    if options.journal is None:
        settings = settings_of(options, home_by_gps=True)
        path = settings.state_path() / NAME
    else:
        settings, path = None, options.journal
    session_id = None if options.session is None else _session_id(options.session)
    connection = open_journal(path)
    try:
        if options.list:
            _list(connection, options.json)
            return 0
        recorded = read_session(connection, session_id)
    finally:
        connection.close()
    _write(options, recorded, Ephemeris.load() if settings is None else ephemeris_of(settings))
    return 0


def _session_id(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 19):
        raise InputError("SESSION", text, "a number from `moontrim report --list`")
    return int(text)


def _list(connection: sqlite3.Connection, as_json: bool) -> None:
    from moontrim.report.sessions import list_sessions
    from moontrim.report.words import percent, span, utc

    sessions = list_sessions(connection)
    if as_json:
        print(
            json.dumps(
                [
                    {
                        "id": one.id,
                        "began": utc(one.began_utc_s),
                        "ended": None if one.ended_utc_s is None else utc(one.ended_utc_s),
                        "duration_s": one.duration_s,
                        "on_frequency_s": one.on_frequency_s,
                        "bands": list(one.bands),
                    }
                    for one in sessions
                ],
                indent=1,
            )
        )
        return
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD)
    for heading in ("id", "began", "length", "on frequency", "bands"):
        table.add_column(heading, justify="right" if heading == "id" else "left")
    for one in sessions:
        table.add_row(
            str(one.id),
            utc(one.began_utc_s),
            span(one.duration_s) if one.duration_s else "nothing recorded",
            percent(one.on_frequency_s / one.duration_s) if one.duration_s else "",
            Text(", ".join(one.bands)),  # a band's name is no markup
        )
    Console().print(table)


def _write(options: argparse.Namespace, recorded: Recorded, ephemeris: Ephemeris) -> None:
    written = []
    if options.csv is not None:
        from moontrim.report.export import write_csv

        rows = grouped(write_csv(recorded, options.csv))
        written.append(f"{options.csv}: {rows} rows")
    if options.parquet is not None:
        from moontrim.report.export import write_parquet

        rows = grouped(write_parquet(recorded, options.parquet))
        written.append(f"{options.parquet}: {rows} rows")
    rows_only = bool(written) and options.out is None
    if options.json or not rows_only:
        from moontrim.report.report import report_of

        report = report_of(recorded, ephemeris, SystemClock().utc_s())
        if options.json:
            from moontrim.report.export import summary

            print(json.dumps(summary(report), indent=1))
        if options.out is not None or not (options.json or written):
            from moontrim.report.page import write_page

            written.append(f"{write_page(report, options.out or PAGE)}")
        if not options.json:
            print(" ".join(report.verdict))
    for line in written:
        print(f"moontrim: wrote {line}", file=sys.stderr)
