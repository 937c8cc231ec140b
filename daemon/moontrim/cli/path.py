"""`moontrim path`: the exact path at given instants."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any, cast

from moontrim.cli.arguments import (
    ephemeris_of,
    frequency_hz,
    instant,
    number,
    partner_of,
    require_covered,
    settings_of,
)
from moontrim.cli.parser import add_command
from moontrim.errorbudget.uncertainties import PlaceUncertainty, Uncertainties
from moontrim.errors import InputError
from moontrim.path import Ephemeris, parse_site
from moontrim.tuning.correction import AGREEMENTS, ECHO_AGREEMENTS, EXPECTED_FOR_ECHO, Agreement

# Options of the error budget: metavar, meaning, largest value.
UNCERTAINTIES = {
    "--position-uncertainty": (
        "M",
        "horizontal, of both places, 1 sigma, besides a locator's square",
        1e5,
    ),
    "--height-uncertainty": ("M", "of both heights, 1 sigma", 1e4),
    "--clock-bound": ("S", "largest error of the clock", 3600.0),
    "--reference-uncertainty": ("PPB", "of the frequency reference, 1 sigma", 1e6),
    "--dial-resolution": ("HZ", "step of the dial", 1e4),
}


def add(commands: Any) -> None:
    command = add_command(
        commands,
        "path",
        call,
        example="--home JN88DD --partner self --at 2026-11-25T20:00:00Z --frequency 10368.1e6",
    )
    command.add_argument(
        "--config", type=Path, metavar="FILE",
        help="config file with home, the names of partners, and tables (default: none)",
    )  # fmt: skip
    command.add_argument(
        "--home",
        metavar="LOC",
        help="home: Maidenhead locator, or lat,lon,height_m (default: that of --config)",
    )
    command.add_argument(
        "--partner",
        required=True,
        metavar="LOC|NAME|self",
        help="partner: as --home, a name of --config, or self for your own echoes",
    )
    command.add_argument(
        "--at",
        required=True,
        action="append",
        metavar="ISO8601",
        help="time, UTC unless it has an offset; repeat for several",
    )
    command.add_argument(
        "--frequency", required=True, metavar="HZ", help="frequency on the air, e.g. 10368.1e6"
    )
    command.add_argument(
        "--no-troposphere", action="store_true", help="compute without the troposphere"
    )
    command.add_argument(
        "--agreement",
        metavar="NAME",
        default="halves",
        help=f"agreement of the error budget: one of {', '.join(AGREEMENTS)} (default: halves)",
    )
    for option, (metavar, about, _) in UNCERTAINTIES.items():
        command.add_argument(
            option, metavar=metavar, help=f"error budget: {about} (default: unknown)"
        )
    command.add_argument(
        "--json", action="store_true", help="print JSON: an object, or a list for several --at"
    )


def call(options: argparse.Namespace) -> int:
    from moontrim.errorbudget.pathreport import path_report

    settings = None if options.config is None else settings_of(options)
    if options.home is not None:
        home = parse_site(options.home, "--home")
    elif settings is not None:
        home = settings.home.site()
    else:
        raise InputError("--home", None, "a place, or --config with a [home]")
    partner = partner_of(options.partner, "--partner", settings.partners if settings else ())
    on_air_hz = frequency_hz(options.frequency)
    instants = [instant(text, "--at") for text in options.at]
    if options.agreement not in AGREEMENTS:
        raise InputError("--agreement", options.agreement, ", ".join(AGREEMENTS))
    if partner is None and options.agreement not in ECHO_AGREEMENTS:
        raise InputError("--agreement", options.agreement, EXPECTED_FOR_ECHO)
    agreement = cast(Agreement, options.agreement)
    uncertainties = _uncertainties(options)
    ephemeris = Ephemeris.load() if settings is None else ephemeris_of(settings)
    for utc_s in instants:
        require_covered(ephemeris, utc_s, "--at")
    troposphere = not options.no_troposphere
    reports = [
        path_report(
            ephemeris, home, partner, utc_s, on_air_hz, troposphere, agreement, uncertainties
        )
        for utc_s in instants
    ]
    for warning in dict.fromkeys(w for report in reports for w in report.get("warnings", ())):
        print(f"moontrim: {warning}", file=sys.stderr)
    if options.json:
        print(json.dumps(reports[0] if len(reports) == 1 else reports, indent=1))
        return 0
    from moontrim.terminal.pathreport import show_path

    for report in reports:
        show_path(report)
    return 0


def _uncertainties(options: argparse.Namespace) -> Uncertainties:
    """Returns the uncertainties of the options. One that is left out is not known; a dial without
    --dial-resolution has no steps. A transverter counts as part of the reference."""

    def value_of(option: str) -> float | None:
        text = getattr(options, option.removeprefix("--").replace("-", "_"))
        return number(text, option, 0.0, UNCERTAINTIES[option][2])

    place = PlaceUncertainty(value_of("--position-uncertainty"), value_of("--height-uncertainty"))
    return Uncertainties(
        home=place,
        partner=place,
        clock_s=value_of("--clock-bound"),
        reference_ppb=value_of("--reference-uncertainty"),
        transverter_hz=0.0,
        dial_resolution_hz=value_of("--dial-resolution") or 0.0,
    )
