"""`moontrim agenda`: skeds with times, which the daemon follows unattended; on the running daemon
or in what it has saved."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from moontrim.cli.arguments import add_config, ephemeris_of, instant, settings_of
from moontrim.cli.carryout import BY, carry_out, saved_session, show
from moontrim.cli.parser import add_command
from moontrim.cli.statefolders import add_state_dir, state_folders
from moontrim.config.settings import Settings
from moontrim.errors import InputError, not_found, reason_of, unwritable

if TYPE_CHECKING:
    from moontrim.agenda.checks import Admitted
    from moontrim.session.agenda import AgendaEntry
    from moontrim.session.session import Session

AT_ONCE = 10  # entries in one request, which thereby stays below its limit of 4096 bytes

NOTE = """\
At an entry's start its sked is chosen with transmit inhibited, never while transmitting and never
on another front end. Times are UTC unless they have an offset.
"""


def add(commands: Any) -> None:
    command = add_command(
        commands,
        "agenda",
        call,
        example="add north 2026-12-04T18:00Z 2026-12-04T19:00Z --config my.toml",
        epilog=NOTE,
    )
    actions = command.add_subparsers(
        metavar="ACTION", required=True, help="what to do with the agenda"
    )
    adding = _action(actions, "add", _add, "add a sked with its time")
    adding.add_argument("sked", metavar="SKED", help="name of the sked, in any case")
    adding.add_argument("start", metavar="START", help="start of the entry (ISO 8601)")
    adding.add_argument("end", metavar="END", help="end of the entry (ISO 8601)")
    listing = _action(actions, "list", _list, "list all entries, and what became of past ones")
    listing.add_argument("--json", action="store_true", help="print JSON: a list of entries")
    removing = _action(actions, "remove", _remove, "remove entries")
    removing.add_argument("ids", nargs="+", metavar="ID", help="ids of entries, as listed")
    importing = _action(actions, "import", _import, "add the single events of a calendar file")
    importing.add_argument("file", type=Path, metavar="FILE", help="calendar file (FILE.ics)")
    importing.add_argument(
        "--sked",
        metavar="NAME",
        help="sked of all events (default: the one whose name the summary of an event begins with)",
    )
    exporting = _action(actions, "export", _export, "write the entries to come as a calendar file")
    exporting.add_argument("file", type=Path, metavar="FILE", help="calendar file to write")


def _action(actions: Any, name: str, run: Any, about: str) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = actions.add_parser(
        name, help=about, description=about[0].upper() + about[1:] + "."
    )
    add_config(parser)
    add_state_dir(parser)
    parser.set_defaults(run=run)
    return parser


def call(options: argparse.Namespace) -> int:
    settings = settings_of(options, home_by_gps=True)
    return int(options.run(options, settings, state_folders(options)))


def _add(options: argparse.Namespace, settings: Settings, folders: list[Path]) -> int:
    from moontrim.session.agenda import new_entry

    start_utc_s, end_utc_s = instant(options.start, "START"), instant(options.end, "END")
    entry = new_entry(options.sked.strip(), start_utc_s, end_utc_s)
    admitted = _admitted([entry], saved_session(settings, folders), settings)
    if admitted.refused:
        raise InputError("agenda", str(entry), problem=admitted.refused[0])
    if admitted.unchanged:
        print(f"in the agenda already: {entry}")
        return 0
    return _send(admitted.entries, settings, folders, quiet=False)


def _list(options: argparse.Namespace, settings: Settings, folders: list[Path]) -> int:
    from moontrim.config.sked import sked_named
    from moontrim.formats import iso
    from moontrim.session.skeds import all_skeds

    session = saved_session(settings, folders)
    skeds = all_skeds(session, settings)
    rows: list[dict[str, str]] = []
    for entry in session.agenda:
        sked = sked_named(skeds, entry.sked)
        rows.append(
            {
                "id": entry.id,
                "start": iso(entry.start_utc_s),
                "end": iso(entry.end_utc_s),
                "sked": entry.sked,
                "band": "" if sked is None else sked.band,
                "outcome": entry.outcome,
            }
        )
    if options.json:
        print(json.dumps(rows, indent=1))
        return 0
    if not rows:
        print("agenda empty; add a sked with its time by moontrim agenda add")
    widths = [max((len(row[name]) for row in rows), default=0) for name in ("sked", "band")]
    for row in rows:
        columns = (row["sked"].ljust(widths[0]), row["band"].ljust(widths[1]), row["outcome"])
        print("  ".join((row["id"], row["start"], row["end"], *columns)).rstrip())
    return 0


def _remove(options: argparse.Namespace, settings: Settings, folders: list[Path]) -> int:
    from moontrim.remote.commands.agendacommand import REMOVE
    from moontrim.session.agendacommands import RemoveFromAgenda

    ids = tuple(options.ids)
    fields = {"command": REMOVE, "ids": ids}
    return show(carry_out(settings, folders, RemoveFromAgenda(BY, ids), fields))


def _import(options: argparse.Namespace, settings: Settings, folders: list[Path]) -> int:
    from moontrim.agenda.calendarfile import read_events
    from moontrim.formats import count
    from moontrim.session.skeds import all_skeds, find_sked

    session = saved_session(settings, folders)
    sked = None if options.sked is None else find_sked(session, settings, options.sked)
    try:
        data = options.file.read_bytes()
    except FileNotFoundError:
        raise not_found("FILE", options.file) from None
    except OSError as error:
        problem = f"cannot read {options.file} ({reason_of(error)})"
        raise InputError("FILE", str(options.file), problem=problem) from None
    events = read_events(data, str(options.file), all_skeds(session, settings), sked)
    admitted = _admitted(events.entries, session, settings)
    refused = (*events.refused, *admitted.refused)
    for reason in refused:
        print(f"moontrim: not imported: {reason}", file=sys.stderr)
    if _send(admitted.entries, settings, folders, quiet=True) != 0:
        return 1
    parts = [f"{count(len(admitted.entries), 'sked')} added"]
    if admitted.unchanged:
        parts.append(f"{admitted.unchanged} in the agenda already")
    if refused:
        parts.append(f"{len(refused)} not imported")
    print(f"{options.file}: {', '.join(parts)}")
    return 1 if refused else 0


def _export(options: argparse.Namespace, settings: Settings, folders: list[Path]) -> int:
    from moontrim.agenda.calendarfile import calendar_of
    from moontrim.formats import count
    from moontrim.session.skeds import all_skeds

    session = saved_session(settings, folders)
    entries = [entry for entry in session.agenda if not entry.outcome]
    try:
        options.file.write_bytes(calendar_of(entries, all_skeds(session, settings)))
    except OSError as error:
        raise unwritable("FILE", options.file, error) from None
    print(f"{options.file}: {count(len(entries), 'event')}")
    return 0


def _admitted(entries: Sequence[AgendaEntry], session: Session, settings: Settings) -> Admitted:
    """Returns which entries may be added. session: what was saved last."""
    from moontrim.agenda.checks import admit
    from moontrim.clock.system import SystemClock

    return admit(entries, session, settings, ephemeris_of(settings), SystemClock().utc_s())


def _send(
    entries: Sequence[AgendaEntry], settings: Settings, folders: list[Path], *, quiet: bool
) -> int:
    """Adds entries that were admitted, and prints what became of that unless all is well and
    quiet. Returns the exit code."""
    from moontrim.remote.commands.agendacommand import ADD
    from moontrim.session.agendacommands import AddToAgenda

    for first in range(0, len(entries), AT_ONCE):
        some = tuple(entries[first : first + AT_ONCE])
        plain = [entry.model_dump(exclude={"outcome"}) for entry in some]
        fields = {"command": ADD, "entries": plain}
        outcome = carry_out(settings, folders, AddToAgenda(BY, some), fields)
        if not outcome.ok or not quiet:
            show(outcome)
        if not outcome.ok:
            return 1
    return 0
