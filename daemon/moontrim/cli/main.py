"""Parses the command line and runs the command. Exit codes: 0: success; 1: completed, but a check
failed; 2: bad option or configuration (one line says which, and what was expected)."""

from __future__ import annotations

import argparse
import os
import re
import sys
from collections.abc import Sequence
from importlib import import_module

from moontrim import __version__
from moontrim.cli import COMMANDS
from moontrim.cli.parser import Parser
from moontrim.errors import MoontrimError

CAUTION = (
    "Keep people out of the beam and clear of moving antennas; follow your local rules on RF "
    "exposure and your licence. moontrim keys a radio only where you have set that up, and only "
    "when asked."
)
DESCRIPTION = (
    "Keeps a radio on frequency through a moonbounce pass: computes the Doppler of the path by way "
    "of the Moon and moves the dial, to the hertz, at the right instants. " + CAUTION
)
EPILOG = """\
start here:
  moontrim rehearse                 run the daemon on a simulated radio, one pass in a minute
  moontrim path --home JN88 --partner self --at 2026-11-25T20:00:00Z --frequency 1296e6
  moontrim forecast --home JN88 --partner KP20 --frequency 10368.1e6 --days 7
  moontrim ports                    list serial ports and their config lines
  moontrim check --config my.toml   check everything before a session
  moontrim run --config my.toml     keep the radio on frequency until stopped
  moontrim forbid --config my.toml  inhibit transmit
  moontrim permit --config my.toml  allow transmit again
  moontrim install-service --config my.toml --dry-run    show what would be installed
  moontrim report --config my.toml  report on the last session

exit codes: 0 success; 1 completed, but a check failed; 2 bad option or configuration
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the `moontrim` command and returns the exit code. arguments: default: of the process."""
    arguments = list(sys.argv[1:] if arguments is None else arguments)
    options = parser(arguments).parse_args(_attach_negative_values(arguments))
    try:
        return int(options.call(options))
    except MoontrimError as error:
        print(f"moontrim: {error}", file=sys.stderr)
        return 2
    except BrokenPipeError:
        # The reader of the output has closed it; keep the interpreter from reporting that at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130


def parser(arguments: Sequence[str]) -> argparse.ArgumentParser:
    """Returns a parser with all commands by name and the options of the one in the arguments. The
    modules of the others are not imported: after a crash, `unkey` must not wait for the imports of
    the daemon."""
    top = Parser(
        prog="moontrim",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"moontrim {__version__}")
    commands = top.add_subparsers(title="commands", metavar="COMMAND", required=True)
    # No option before the command takes a value.
    chosen = next((argument for argument in arguments if not argument.startswith("-")), None)
    for name, about in COMMANDS.items():
        if name == chosen:
            import_module(f"moontrim.cli.{name.replace('-', '')}").add(commands)
        else:
            commands.add_parser(name, help=about)
    return top


def _attach_negative_values(arguments: list[str]) -> list[str]:
    """Joins an option and a negative value by `=`: argparse would take the southern latitude in
    `--home -33.9,151.2,30` for an option."""
    joined: list[str] = []
    for argument in arguments:
        if joined and joined[-1].startswith("--") and re.match(r"-[\d.]", argument):
            joined[-1] += f"={argument}"
        else:
            joined.append(argument)
    return joined
