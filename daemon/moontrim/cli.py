"""The command line: parse, call, print. Exit codes: 0 done and well; 1 it ran, and something is not
well; 2 something given by the user is not usable (one line says what, and what is allowed)."""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import os
import re
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from rich.console import Console

from moontrim import __version__
from moontrim.clock import Clock, SystemClock
from moontrim.correction import AGREEMENTS
from moontrim.errors import InputError, MoontrimError
from moontrim.path import Ephemeris, Site, parse_site
from moontrim.settings import Settings, load_settings

CAUTION = (
    "Keep people out of the beam and clear of moving antennas; follow your local rules on RF "
    "exposure and your licence. moontrim never keys a radio by itself."
)
DESCRIPTION = (
    "Keeps a radio on frequency through a moonbounce pass: works out the Doppler shift of the path "
    "by way of the Moon and moves the dial, to the hertz, at the instants where it matters. "
    + CAUTION
)
EPILOG = """\
start here:
  moontrim rehearse                 the whole daemon on a simulated radio, one pass in a minute
  moontrim path --home JN88 --partner self --at 2026-11-25T20:00:00Z --frequency 1296e6
  moontrim check --config my.toml   is everything in place?
  moontrim run --config my.toml     keep the radio on frequency until stopped

exit codes: 0 well; 1 it ran but something is not well; 2 something given is not usable
"""
LOWEST_HZ, HIGHEST_HZ = 1e6, 1e12


def main(arguments: Sequence[str] | None = None) -> int:
    """Entry point of the `moontrim` command."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    options = parser().parse_args(_attach_negative_values(given))
    try:
        return int(options.call(options))
    except MoontrimError as error:
        print(f"moontrim: {error}", file=sys.stderr)
        return 2
    except BrokenPipeError:
        # Whoever read our output has seen enough; keep the interpreter from complaining at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = argparse.ArgumentParser(
        "moontrim",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"moontrim {__version__}")
    commands = top.add_subparsers(title="commands", metavar="COMMAND", required=True)

    run = _command(commands, "run", _run, "keep the radio of a config on frequency until stopped")
    _add_config(run)
    run.add_argument("--quiet", action="store_true", help="log lines only, even on a terminal")

    practice = _command(
        commands, "rehearse", _rehearse, "run the whole daemon on a simulated radio"
    )
    _add_config(practice)
    practice.add_argument(
        "--from", dest="start", metavar="ISO8601", help="search the window from here on"
    )
    practice.add_argument("--agreement", choices=AGREEMENTS, help="instead of the one configured")
    practice.add_argument(
        "--no-split", action="store_true", help="one dial for receive and transmit"
    )
    practice.add_argument(
        "--minutes", type=float, metavar="N", help="only the first N minutes of the window"
    )
    practice.add_argument(
        "--pace", type=float, metavar="X", help="X times real time (default: a minute in all)"
    )
    practice.add_argument("--picture", type=Path, metavar="FILE", help="default: out/rehearsal.png")
    practice.add_argument("--json", action="store_true", help="print the summary as JSON")
    practice.add_argument("--quiet", action="store_true", help="no live view")

    path = _command(
        commands, "path", _path, "the exact path at given instants: delays, shifts, spread"
    )
    path.add_argument("--home", required=True, metavar="LOC", help="locator, or lat,lon,height_m")
    path.add_argument("--partner", required=True, metavar="LOC|self", help="self: our own echo")
    path.add_argument(
        "--at", required=True, action="append", metavar="ISO8601", help="may be given several times"
    )
    path.add_argument("--frequency", required=True, metavar="HZ", help="on the air, e.g. 10368.1e6")
    path.add_argument("--no-troposphere", action="store_true", help="leave the air out")
    path.add_argument(
        "--json", action="store_true", help="as JSON: an object, or a list for several --at"
    )

    checking = _command(
        commands, "check", _check, "is everything in place? touches neither dial nor key"
    )
    _add_config(checking)
    checking.add_argument("--json", action="store_true", help="as JSON")

    _command(commands, "schema", _schema, "print the JSON schema of the config file")
    return top


def _command(commands: Any, name: str, call: Any, about: str) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = commands.add_parser(
        name, help=about, description=about[0].upper() + about[1:] + "."
    )
    made.set_defaults(call=call)
    return made


def _add_config(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--config", type=Path, metavar="FILE", help="TOML; see config/ for annotated ones"
    )


def _attach_negative_values(arguments: list[str]) -> list[str]:
    """`--home -33.9,151.2,30`: argparse would take a southern latitude for an option of its own."""
    joined: list[str] = []
    for argument in arguments:
        if joined and joined[-1].startswith("--") and re.match(r"-[\d.]", argument):
            joined[-1] += f"={argument}"
        else:
            joined.append(argument)
    return joined


# --- the commands ---------------------------------------------------------------------------------


def _run(options: argparse.Namespace) -> int:
    settings = _settings(options)
    clock = SystemClock()
    ephemeris = _ephemeris(settings)
    asyncio.run(_run_daemon(settings, clock, ephemeris, quiet=options.quiet))
    return 0


async def _run_daemon(
    settings: Settings, clock: Clock, ephemeris: Ephemeris, *, quiet: bool
) -> None:
    from moontrim.app import Daemon
    from moontrim.terminal import live_view, log_view, on_terminal

    live = on_terminal() and not quiet
    _start_log(clock, logging.ERROR if live else logging.INFO)
    daemon = Daemon(settings, clock, ephemeris)
    daemon.stop_on_signals()
    await daemon.run(live_view if live else log_view)


def _rehearse(options: argparse.Namespace) -> int:
    from moontrim import rehearsal
    from moontrim.terminal import grouped, iso, live_view, on_terminal
    from moontrim.window import next_window

    settings = _settings(options) if options.config else rehearsal.embedded_settings()
    settings = _for_rehearsal(settings, options)
    ephemeris = _ephemeris(settings)
    from_utc_s = _instant(options.start, "--from") if options.start else SystemClock().utc_s()
    partner = None if settings.partner == "self" else settings.partner.site()
    start, end = next_window(ephemeris, settings.home.site(), partner, from_utc_s)
    if options.minutes is not None:
        if not options.minutes >= 0.1:
            raise InputError("--minutes", options.minutes, "0.1 or more")
        end = min(end, start + 60.0 * options.minutes)
    pace = rehearsal.real_time_pace(start, end)
    if options.pace is not None:
        if not 0 < options.pace <= 1e6:
            raise InputError("--pace", options.pace, "above 0, up to 1000000")
        pace = options.pace
    console = Console(stderr=True)
    console.print(
        f"Window {iso(start)} to {iso(end)}, shown {pace:.0f} times as fast. Ctrl-C ends it early."
    )
    logging.basicConfig(level=logging.ERROR, stream=sys.stderr)
    with TemporaryDirectory(prefix="moontrim-") as folder:
        settings = settings.model_copy(update={"state_dir": Path(folder)})
        view = () if options.quiet or not on_terminal() else (live_view,)
        result = rehearsal.rehearse(settings, ephemeris, start, end, pace=pace, companions=view)
    picture = options.picture or Path("out/rehearsal.png")
    from moontrim.picture import draw_rehearsal

    try:
        draw_rehearsal(result, picture)
    except (OSError, ValueError) as error:
        raise InputError(
            "--picture", str(picture), f"a PNG, SVG or PDF file in a writable folder ({error})"
        ) from None
    if options.json:
        print(json.dumps(result.as_json() | {"picture": str(picture)}, indent=1))
    else:
        hours = (result.end_utc_s - result.start_utc_s) / 3600.0
        print(
            f"{hours:.1f} h on {result.band}, agreement {result.agreement}, "
            f"sked {grouped(result.sked_hz)} Hz"
        )
        print(
            f"seconds planned {result.ticks}, missed {result.missed_seconds}, "
            f"faults {len(result.faults)}"
        )
        for dial in result.dials:
            print(
                f"{dial.name:8} steps {dial.steps}, residual RMS {dial.rms_hz:.3f} Hz, "
                f"largest {dial.largest_hz:.3f} Hz"
            )
        for fault in result.faults[:10]:
            print(f"fault {iso(fault.at_utc_s)} {fault.text}")
        print(f"picture {picture}")
        print("on frequency throughout" if result.passed else "NOT on frequency throughout")
    return 0 if result.passed else 1


def _for_rehearsal(settings: Settings, options: argparse.Namespace) -> Settings:
    """The same station with a simulated radio in place of its own."""
    radio = settings.radio
    simulated = (
        dict(radio.options) if radio.driver == "simulated" else {"retunes_while_transmitting": True}
    )
    if options.no_split:
        simulated["split"] = False
    changed = radio.model_copy(update={"driver": "simulated", "options": simulated})
    settings = settings.model_copy(update={"radio": changed})
    if options.agreement:
        session = settings.session.model_copy(update={"agreement": options.agreement})
        settings = settings.model_copy(update={"session": session})
    return settings


def _path(options: argparse.Namespace) -> int:
    from moontrim.path.report import path_report

    home = parse_site(options.home, "--home")
    partner: Site | None = None
    if options.partner != "self":
        partner = parse_site(options.partner, "--partner")
    frequency_hz = _frequency(options.frequency)
    instants = [_instant(text, "--at") for text in options.at]
    ephemeris = Ephemeris.load()
    troposphere = not options.no_troposphere
    reports = [
        path_report(ephemeris, home, partner, utc_s, frequency_hz, troposphere)
        for utc_s in instants
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


def _check(options: argparse.Namespace) -> int:
    from moontrim.check import check

    settings = _settings(options)
    findings = asyncio.run(check(settings, _ephemeris(settings), SystemClock()))
    if options.json:
        print(json.dumps([finding.as_json() for finding in findings], indent=1))
    else:
        console = Console()
        colours = {"ok": "green", "note": "yellow", "wrong": "bold red"}
        for finding in findings:
            console.print(
                f"[{colours[finding.level]}]{finding.level:5}[/]  "
                f"{finding.what:14}  {finding.text}",
                highlight=False,
                soft_wrap=True,
            )
    return 1 if any(finding.level == "wrong" for finding in findings) else 0


def _schema(options: argparse.Namespace) -> int:
    print(json.dumps(Settings.model_json_schema(), indent=2))
    return 0


# --- reading what was given -----------------------------------------------------------------------


def _settings(options: argparse.Namespace) -> Settings:
    if options.config is None:
        base = os.environ.get("XDG_CONFIG_HOME")
        places = [
            (Path(base) if base else Path.home() / ".config") / "moontrim" / "moontrim.toml",
            Path("/etc/moontrim/moontrim.toml"),
        ]
        for place in places:
            if place.is_file():
                return load_settings(place)
        raise InputError("--config", None, f"a TOML file here or at {places[0]} or {places[1]}")
    return load_settings(options.config)


def _ephemeris(settings: Settings) -> Ephemeris:
    return Ephemeris.load(settings.data.earth_rotation_file, settings.data.ephemeris_file)


def _instant(text: str, field: str) -> float:
    allowed = "an instant of ISO 8601 such as 2026-11-25T20:00:00Z (UTC unless it says otherwise)"
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(field, text, allowed) from None
    if instant.tzinfo is None:
        instant = instant.replace(tzinfo=UTC)
    try:
        return instant.timestamp()
    except (OverflowError, ValueError):
        raise InputError(field, text, allowed) from None


def _frequency(text: str) -> float:
    try:
        frequency_hz = float(text)
    except ValueError:
        frequency_hz = float("nan")
    if not LOWEST_HZ <= frequency_hz <= HIGHEST_HZ:
        raise InputError("--frequency", text, f"hertz from {LOWEST_HZ:.0f} to {HIGHEST_HZ:.0f}")
    return frequency_hz


def _start_log(clock: Clock, level: int) -> None:
    from moontrim.terminal import UtcFormatter

    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(UtcFormatter(clock))
    logging.basicConfig(level=level, handlers=[handler])
