"""The state folders that a daemon of a config may run on, for commands that look for it."""

from __future__ import annotations

import argparse
from pathlib import Path

from moontrim.cli.arguments import config_path, settings_of
from moontrim.service.install import state_folder_of_service


def add_state_dir(command: argparse.ArgumentParser) -> None:
    """Adds the option that names the folder."""
    command.add_argument(
        "--state-dir",
        type=Path,
        metavar="DIR",
        help="state folder of the daemon (default: that of the config)",
    )


def state_folders(options: argparse.Namespace) -> list[Path]:
    """Returns the state folders that the daemon may run on: the one of --state-dir, else that of
    the service that runs this config, and that of the config. Raises InputError."""
    if folder := getattr(options, "state_dir", None):
        return [folder]
    of_config = settings_of(options, home_by_gps=True).state_path()
    of_service = state_folder_of_service(config_path(options).absolute())
    return [of_config] if of_service in (None, of_config) else [of_service, of_config]
