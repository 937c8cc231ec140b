"""`moontrim sked`: lists, chooses, adds and removes skeds, on the running daemon or, but for
choosing, in what it has saved."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from moontrim.cli.arguments import add_config, frequency_hz, number, settings_of
from moontrim.cli.carryout import BY, carry_out, on_running, saved_session, show
from moontrim.cli.parser import add_command
from moontrim.cli.statefolders import add_state_dir, state_folders
from moontrim.config.settings import Settings
from moontrim.errors import InputError

if TYPE_CHECKING:
    from moontrim.session.commands import Command

ACTIONS = ("list", "choose", "add", "remove")


def add(commands: Any) -> None:
    command = add_command(commands, "sked", call, example="choose north --config my.toml")
    command.add_argument(
        "action", choices=ACTIONS, metavar="ACTION", help=f"one of {', '.join(ACTIONS)}"
    )
    command.add_argument(
        "name", nargs="?", metavar="NAME", help="name of the sked, in any case; not for list"
    )
    add_config(command)
    add_state_dir(command)
    command.add_argument("--band", metavar="NAME", help="band of the sked to add")
    command.add_argument(
        "--frequency", metavar="HZ", help="frequency on the air of the sked to add, e.g. 10368.1e6"
    )
    command.add_argument(
        "--tx-frequency", metavar="HZ",
        help="transmit frequency on the air of the sked to add (default: as the band has it)",
    )  # fmt: skip
    command.add_argument(
        "--partner", metavar="NAME|LOC|self",
        help="partner of the sked to add: a name of the config, a Maidenhead locator, or "
        "lat,lon,height_m (default: self, your own echoes)",
    )  # fmt: skip
    command.add_argument(
        "--agreement", metavar="NAME", help="agreement of the sked to add (default: halves)"
    )
    command.add_argument(
        "--over", metavar="S", help="seconds of one over, for mid_over (default: the band's)"
    )
    command.add_argument("--note", metavar="TEXT", help="text shown with the sked to add")
    command.add_argument("--json", action="store_true", help="print JSON, for list")


def call(options: argparse.Namespace) -> int:
    from moontrim.session.skeds import ChooseSked, RemoveSked

    settings, folders = settings_of(options, home_by_gps=True), state_folders(options)
    _check(options)
    if options.action == "list":
        return _list(settings, folders, as_json=options.json)
    if options.action == "add":
        fields = _fields(options)
        return _change(settings, folders, _saving(fields), {"command": "save_sked", **fields})
    choosing = options.action == "choose"
    command = (ChooseSked if choosing else RemoveSked)(BY, options.name)
    name = "sked" if choosing else "remove_sked"
    return _change(settings, folders, command, {"command": name, "sked": options.name})


def _check(options: argparse.Namespace) -> None:
    """Raises InputError for an action without its name, and for options of another action."""
    if (options.action == "list") != (options.name is None):
        problem = f"not valid with list; got {options.name!r}"
        raise InputError("NAME", options.name, problem=problem if options.name else "missing")
    of_add = ("band", "frequency", "tx_frequency", "partner", "agreement", "over", "note")
    for name in of_add if options.action != "add" else ():
        if getattr(options, name) is not None:
            option = f"--{name.replace('_', '-')}"
            raise InputError(option, None, problem="valid only with add")
    for name in ("band", "frequency") if options.action == "add" else ():
        if getattr(options, name) is None:
            raise InputError(f"--{name}", None, problem="missing; needed with add")
    if options.json and options.action != "list":
        raise InputError("--json", None, problem="valid only with list")


def _fields(options: argparse.Namespace) -> dict[str, Any]:
    """Returns the fields of the sked to add. Raises InputError."""
    tx = options.tx_frequency
    fields = {
        "name": options.name.strip(),
        "band": options.band,
        "sked_hz": frequency_hz(options.frequency),
        "tx_sked_hz": None if tx is None else frequency_hz(tx, "--tx-frequency"),
        "partner": options.partner,
        "agreement": options.agreement,
        "over_s": number(options.over, "--over", 1.0, 600.0),
        "note": options.note,
    }
    return {name: value for name, value in fields.items() if value is not None}


def _saving(fields: dict[str, Any]) -> Command:
    from pydantic import ValidationError

    from moontrim.config.mistakes import mistakes
    from moontrim.config.sked import Sked
    from moontrim.session.skeds import SaveSked

    try:
        return SaveSked(BY, Sked.model_validate(fields))
    except ValidationError as error:
        raise InputError("sked", fields["name"], problem=mistakes(error, fields, Sked)[0]) from None


def _change(
    settings: Settings, folders: list[Path], command: Command, fields: dict[str, Any]
) -> int:
    """Has the running daemon carry the command out; where none runs, changes what was saved, unless
    a sked is to be chosen. Returns the exit code."""
    from moontrim.remote.commands.forbidding import Outcome
    from moontrim.session.skeds import ChooseSked

    if not isinstance(command, ChooseSked):
        return show(carry_out(settings, folders, command, fields))
    text = (
        f"moontrim not running on {' or '.join(map(str, folders))}: nothing chosen; start it "
        "first: moontrim run"
    )
    return show(on_running(folders, fields) or Outcome(False, text))


def _list(settings: Settings, folders: list[Path], *, as_json: bool) -> int:
    """Prints all skeds, of the config and of what was saved. Returns the exit code."""
    from moontrim.formats import grouped
    from moontrim.session.selection import selection_of

    session = saved_session(settings, folders)
    known = selection_of(session, settings)
    problems = dict(known.sked_problems)
    rows = [
        sked.model_dump()
        | {"made": sked.name in known.made, "problem": problems.get(sked.name, "")}
        | {"chosen": sked.name == session.sked}
        for sked in known.skeds
    ]
    if as_json:
        print(json.dumps(rows, indent=1))
        return 0
    if not rows:
        print("no skeds; add one with moontrim sked add, or as [[skeds]] to the config")
    width = max((len(row["name"]) for row in rows), default=0)
    for row in rows:
        tx = "" if row["tx_sked_hz"] is None else f", transmit {grouped(row['tx_sked_hz'])} Hz"
        parts = [
            f"{row['band']}, {grouped(row['sked_hz'])} Hz{tx}",
            "echoes" if row["partner"] == "self" else row["partner"],
            row["agreement"],
            *([row["note"]] if row["note"] else ()),
            *([] if row["made"] else ["of the config"]),
            *([f"cannot be chosen: {row['problem']}"] if row["problem"] else ()),
        ]
        print(f"{'*' if row['chosen'] else ' '} {row['name']:{width}}  {'; '.join(parts)}")
    return 0
