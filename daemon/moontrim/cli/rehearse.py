"""`moontrim rehearse`: runs the whole daemon on a simulated radio and prints a summary."""

from __future__ import annotations

import argparse
import json
import logging
import os
import sqlite3
import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from moontrim.cli.arguments import (
    add_config,
    ephemeris_of,
    instant,
    require_covered,
    settings_of,
)
from moontrim.cli.parser import add_command
from moontrim.clock.system import SystemClock
from moontrim.config.settings import Settings
from moontrim.errors import InputError, reason_of
from moontrim.tuning.correction import AGREEMENTS, ECHO_AGREEMENTS, EXPECTED_FOR_ECHO

if TYPE_CHECKING:
    from moontrim.app.daemon import Companion, Daemon
    from moontrim.remote.companion import Remote

PICTURE = Path("out/rehearsal.png")
PICTURES = (".png", ".svg", ".pdf")


def add(commands: Any) -> None:
    command = add_command(commands, "rehearse", call, example="--agreement receiver --minutes 60")
    add_config(command)
    command.add_argument(
        "--from",
        dest="start",
        metavar="ISO8601",
        help="search for the window from this time (default: of the embedded scenario, else now)",
    )
    command.add_argument(
        "--agreement",
        choices=AGREEMENTS,
        help="agreement to use (default: of the config, else halves)",
    )
    command.add_argument(
        "--no-split",
        action="store_true",
        help="use one dial for receive and transmit (default: two)",
    )
    command.add_argument(
        "--minutes",
        type=float,
        metavar="N",
        help="length of the rehearsal (default: the whole window)",
    )
    command.add_argument(
        "--pace",
        type=float,
        metavar="X",
        help="speed, times real time (default: one minute in all)",
    )
    command.add_argument(
        "--plot", type=Path, metavar="FILE", help="plot to write (default: out/rehearsal.png)"
    )
    command.add_argument(
        "--faults",
        action="store_true",
        help="instead, cause faults for two minutes: radio and broker lost, clock stepped, dial "
        "turned; report how long each took to recover from",
    )
    command.add_argument(
        "--journal-dir", type=Path, metavar="DIR", help="keep the journal in DIR, for a report"
    )
    command.add_argument(
        "--lan",
        action="store_true",
        help="open the phone page to the network, by TLS and with a password, as for run",
    )
    command.add_argument(
        "--show-password", action="store_true", help="show the page's password and QR code again"
    )
    command.add_argument("--json", action="store_true", help="print the summary as JSON")
    command.add_argument("--quiet", action="store_true", help="print no live view")


def call(options: argparse.Namespace) -> int:
    from moontrim.cli.picturefile import check_picture
    from moontrim.formats import iso
    from moontrim.outlook.companion import keep_outlook
    from moontrim.rehearsal import rehearsal
    from moontrim.rehearsal.picture import draw_rehearsal
    from moontrim.rehearsal.summary import show_result
    from moontrim.service.privatefolder import private_folder
    from moontrim.terminal.livepanel import live_view, on_terminal, show

    if options.config:
        settings = settings_of(options)
    else:
        settings = rehearsal.embedded_settings(keying=options.faults)
    ephemeris = ephemeris_of(settings)  # before ports are looked for: a mistake gets one line
    secrets_folder = settings.state_path()  # a phone that knows the station knows its rehearsal
    settings = _for_rehearsal(settings, options)
    from_utc_s = instant(options.start, "--from") if options.start else SystemClock().utc_s()
    if options.start:
        require_covered(ephemeris, from_utc_s, "--from")
    start, end = rehearsal.next_window(ephemeris, settings, from_utc_s)
    if options.minutes is not None:
        if not options.minutes >= 0.1:
            raise InputError("--minutes", options.minutes, "at least 0.1")
        end = min(end, start + 60.0 * options.minutes)
    if options.faults:
        start = (start + end) / 2.0  # with the Moon high
    pace = 1.0 if options.faults else rehearsal.real_time_pace(start, end)
    if options.pace is not None:
        if not 0 < options.pace <= 1e6:
            raise InputError("--pace", options.pace, "more than 0, at most 1000000")
        pace = options.pace
    if options.faults:
        return _faults(settings, options, start, pace, secrets_folder)
    plot = options.plot or PICTURE
    if options.plot is None:
        with suppress(OSError):  # the check reports it
            plot.parent.mkdir(exist_ok=True)
    check_picture(plot, PICTURES)
    if options.journal_dir is not None:
        _check_journal(options.journal_dir)
    show(
        f"Window {iso(start)} to {iso(end)}, shown {pace:.0f} times as fast. Ctrl-C ends it early."
    )
    logging.basicConfig(level=logging.ERROR, stream=sys.stderr)
    view = () if options.quiet or not on_terminal() else (live_view,)
    side = _remote_side(settings, options, secrets_folder)
    with private_folder() as folder:
        settings = settings.model_copy(update={"state_dir": folder})
        result = rehearsal.rehearse(
            settings,
            ephemeris,
            start,
            end,
            pace=pace,
            companions=(*view, keep_outlook, side.run, *_recorded(options.journal_dir)),
        )
    try:
        draw_rehearsal(result, plot)
    except (OSError, ValueError) as error:
        raise InputError(
            "--plot", str(plot), problem=f"cannot write {plot} ({reason_of(error)})"
        ) from None
    if options.json:
        print(json.dumps(result.as_json() | {"plot": str(plot)}, indent=1))
    else:
        show_result(result, plot)
    return 0 if result.passed else 1


def _check_journal(folder: Path) -> None:
    """Raises InputError unless a journal can be written in the folder. The journal itself waits for
    a disk that refuses, as it has to in a daemon; a rehearsal would be over by then."""
    from moontrim.journal.opening import OtherWriterError, lock, open_to_write

    try:
        lock_file = lock(folder)
        try:
            open_to_write(folder, SystemClock().utc_s(), check=False).close()
        finally:
            os.close(lock_file)
    except (OSError, ValueError, sqlite3.Error, OtherWriterError) as error:
        raise InputError(
            "--journal-dir",
            str(folder),
            problem=f"cannot write a journal in {folder} ({reason_of(error)})",
        ) from None


def _recorded(folder: Path | None) -> tuple[Companion, ...]:
    """Returns the companion that writes the journal into a folder; none for None."""
    if folder is None:
        return ()
    from moontrim.journal.companion import Journal

    async def record(daemon: Daemon) -> None:
        await Journal(folder, daemon.settings, daemon.clock, daemon.clock_bound_s).run(daemon)

    return (record,)


def _faults(
    settings: Settings,
    options: argparse.Namespace,
    start: float,
    pace: float,
    secrets_folder: Path,
) -> int:
    from moontrim.formats import iso
    from moontrim.outlook.companion import keep_outlook
    from moontrim.rehearsal.faults import rehearse_faults
    from moontrim.rehearsal.summary import show_recoveries
    from moontrim.service.privatefolder import private_folder
    from moontrim.terminal.livepanel import live_view, on_terminal, show

    show(f"From {iso(start)}, one fault after the other. Ctrl-C ends it early.")
    logging.basicConfig(level=logging.CRITICAL, stream=sys.stderr)
    view = () if options.quiet or not on_terminal() else (live_view,)
    side = _remote_side(settings, options, secrets_folder)
    with private_folder() as folder:
        outcomes = rehearse_faults(
            settings.model_copy(update={"state_dir": folder}),
            ephemeris_of(settings),
            start,
            pace=pace,
            companions=(*view, keep_outlook, side.run),
            broker=lambda: side.broker,
            say=lambda text: show(f"  {text} ..."),
        )
    passed = bool(outcomes) and all(one.passed for one in outcomes)
    if options.json:
        print(
            json.dumps({"faults": [one.as_json() for one in outcomes], "passed": passed}, indent=1)
        )
        return 0 if passed else 1
    show_recoveries(outcomes)
    return 0 if passed else 1


def _for_rehearsal(settings: Settings, options: argparse.Namespace) -> Settings:
    """Returns settings with all hardware simulated, and the phone page on this machine only unless
    --lan opens it."""
    from moontrim.cli.freeports import remote_on_free_ports
    from moontrim.rehearsal.rehearsal import with_simulated_radio
    from moontrim.terminal.livepanel import show

    settings = with_simulated_radio(settings, **({"split": False} if options.no_split else {}))
    remote = remote_on_free_ports(settings.remote, lan=options.lan, say=show)
    settings = settings.model_copy(update={"remote": remote})
    if options.agreement:
        if settings.partner_place() is None and options.agreement not in ECHO_AGREEMENTS:
            raise InputError("--agreement", options.agreement, EXPECTED_FOR_ECHO)
        defaults = settings.defaults.model_copy(update={"agreement": options.agreement})
        settings = settings.model_copy(update={"defaults": defaults})
    return settings


def _remote_side(settings: Settings, options: argparse.Namespace, secrets_folder: Path) -> Remote:
    """Returns broker and page of a rehearsal. secrets_folder: see `Remote`."""
    from moontrim.journal.schema import NAME
    from moontrim.remote.companion import Remote
    from moontrim.terminal.livepanel import on_terminal, show

    recorded = options.journal_dir is not None and not options.faults
    return Remote(
        settings.remote,
        show=show if on_terminal() else None,
        show_password=options.show_password,
        on_page=lambda url: show(f"phone page: {url}"),
        journal=options.journal_dir / NAME if recorded else None,
        rehearsal=True,
        secrets_folder=secrets_folder,
    )
