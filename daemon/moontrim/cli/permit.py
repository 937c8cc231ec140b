"""`moontrim permit`: allows transmit on a running daemon, in two steps, without broker and
network."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from moontrim.cli.arguments import add_config
from moontrim.cli.parser import add_command
from moontrim.cli.statefolders import add_state_dir, state_folders

if TYPE_CHECKING:
    from moontrim.remote.commands.permitting import PermitQuestion

TYPED = "permit"
CHECKS = """\
Before you allow transmit, check at the station:
  - nobody is near the antenna or in its beam, and nobody works on feed, relays or feed line
  - the amplifier is ready to be keyed, or its supply is off
  - relays, waveguide switches and antenna are set up for this band"""


def add(commands: Any) -> None:
    command = add_command(commands, "permit", call, example="--config my.toml")
    add_config(command)
    add_state_dir(command)
    command.add_argument(
        "--nobody-is-near",
        action="store_true",
        help="confirm by this option that nobody is near the antenna and the rest has been checked "
        "(default: type a word at the terminal)",
    )


def call(options: argparse.Namespace) -> int:
    from moontrim.remote.wire.controlsocket import NotRunning, request_question

    folders = state_folders(options)
    for folder in folders:
        try:
            answer = request_question(folder)
            return _second_step(folder, answer, confirmed=options.nobody_is_near)
        except NotRunning:
            continue
        except (OSError, ValueError) as error:
            problem = getattr(error, "strerror", None) or "no answer from the daemon"
            print(
                f"{folder}: {problem}; transmit probably still inhibited; to make sure: moontrim "
                "forbid",
                file=sys.stderr,
            )
            return 1
    print(
        f"moontrim not running on {' or '.join(map(str, folders))}: transmit not allowed; "
        "start it first: moontrim run",
        file=sys.stderr,
    )
    return 1


def _second_step(folder: Path, answer: PermitQuestion | Any, *, confirmed: bool) -> int:
    """Shows the state, asks, and allows transmit; returns the exit code."""
    from moontrim.remote.commands.forbidding import Outcome
    from moontrim.remote.wire.controlsocket import request_permit

    if isinstance(answer, Outcome):
        print(answer.text, file=sys.stdout if answer.ok else sys.stderr)
        return 0 if answer.ok else 1
    for name, value in answer.state:
        print(f"{name:10}  {value}")
    print(CHECKS)
    if not confirmed:
        if not (sys.stdin.isatty() and sys.stdout.isatty()):
            print(
                "not allowed: no terminal to confirm at; if all of this is true, add "
                "--nobody-is-near",
                file=sys.stderr,
            )
            return 2
        if _typed() != TYPED:
            print("transmit stays inhibited", file=sys.stderr)
            return 1
    outcome = request_permit(folder, answer.token)
    print(outcome.text, file=sys.stdout if outcome.ok else sys.stderr)
    return 0 if outcome.ok else 1


def _typed() -> str:
    """Returns the line typed at the terminal; empty at its end."""
    try:
        return input(f"Type {TYPED!r} to allow transmit, anything else to cancel: ").strip()
    except EOFError:
        return ""
