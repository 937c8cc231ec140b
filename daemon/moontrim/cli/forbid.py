"""`moontrim forbid`: forbids transmitting at a daemon that runs, without broker and network."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from moontrim.cli.arguments import add_command, add_config, config_path, settings_of
from moontrim.service.install import state_folder_of_service


def add(commands: Any) -> None:
    command = add_command(commands, "forbid", call)
    add_config(command)
    command.add_argument(
        "--state-dir",
        type=Path,
        metavar="DIR",
        help="state folder of the daemon, instead of a config",
    )


def call(options: argparse.Namespace) -> int:
    from moontrim.remote.wire.controlsocket import NotRunning, request_forbid

    folders = _folders(options)
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
        f"moontrim not running on {' or '.join(map(str, folders))}: nothing forbidden; "
        "moontrim unkey switches off what the config can key",
        file=sys.stderr,
    )
    return 1


def _folders(options: argparse.Namespace) -> list[Path]:
    """Returns the state folders that the daemon may run on: of the config, and of the service that
    runs this config."""
    if options.state_dir is not None:
        return [options.state_dir]
    of_config = settings_of(options, home_by_gps=True).state_path()
    of_service = state_folder_of_service(config_path(options).absolute())
    return [of_config] if of_service in (None, of_config) else [of_service, of_config]
