"""`moontrim forbid`: inhibits transmit on a running daemon, without broker and network."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from moontrim.cli.arguments import add_config
from moontrim.cli.parser import add_command
from moontrim.cli.statefolders import add_state_dir, state_folders


def add(commands: Any) -> None:
    command = add_command(commands, "forbid", call, example="--config my.toml")
    add_config(command)
    add_state_dir(command)


def call(options: argparse.Namespace) -> int:
    from moontrim.remote.wire.controlsocket import NotRunning, request_forbid

    folders = state_folders(options)
    for folder in folders:
        try:
            outcome = request_forbid(folder)
        except NotRunning:
            continue
        except (OSError, ValueError) as error:
            problem = getattr(error, "strerror", None) or "no answer from the daemon"
            print(f"{folder}: {problem}; switch the outputs off: moontrim unkey", file=sys.stderr)
            return 1
        print(outcome.text)
        return 0 if outcome.ok else 1
    print(
        f"moontrim not running on {' or '.join(map(str, folders))}: transmit not inhibited; "
        "moontrim unkey switches off what the config can key",
        file=sys.stderr,
    )
    return 1
