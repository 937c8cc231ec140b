"""`moontrim path`: the exact path at given instants."""

from __future__ import annotations

import argparse
import json
import sys
from typing import Any

from moontrim.commands.given import add_command, frequency_hz, instant, partner_of
from moontrim.path import Ephemeris, parse_site


def add(commands: Any) -> None:
    command = add_command(
        commands, "path", call, "the exact path at given instants: delays, shifts, spread"
    )
    command.add_argument(
        "--home", required=True, metavar="LOC", help="locator, or lat,lon,height_m"
    )
    command.add_argument("--partner", required=True, metavar="LOC|self", help="self: our own echo")
    command.add_argument(
        "--at", required=True, action="append", metavar="ISO8601", help="may be given several times"
    )
    command.add_argument(
        "--frequency", required=True, metavar="HZ", help="on the air, e.g. 10368.1e6"
    )
    command.add_argument("--no-troposphere", action="store_true", help="leave the air out")
    command.add_argument(
        "--json", action="store_true", help="as JSON: an object, or a list for several --at"
    )


def call(options: argparse.Namespace) -> int:
    from moontrim.path.report import path_report

    home = parse_site(options.home, "--home")
    partner = partner_of(options.partner, "--partner")
    on_air_hz = frequency_hz(options.frequency)
    instants = [instant(text, "--at") for text in options.at]
    ephemeris = Ephemeris.load()
    troposphere = not options.no_troposphere
    reports = [
        path_report(ephemeris, home, partner, utc_s, on_air_hz, troposphere) for utc_s in instants
    ]
    for warning in dict.fromkeys(w for report in reports for w in report.get("warnings", ())):
        print(f"moontrim: {warning}", file=sys.stderr)
    if options.json:
        print(json.dumps(reports[0] if len(reports) == 1 else reports, indent=1))
        return 0
    from moontrim.pathview import show_path

    for report in reports:
        show_path(report)
    return 0
