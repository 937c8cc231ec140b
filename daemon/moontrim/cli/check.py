"""`moontrim check`: prints the pre-flight list."""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
from typing import Any

from rich.console import Console

from moontrim.cli.arguments import (
    add_config,
    config_path,
    ephemeris_of,
    settings_of,
)
from moontrim.cli.parser import add_command
from moontrim.clock.system import SystemClock
from moontrim.service.install import state_folder_of_service


def add(commands: Any) -> None:
    command = add_command(commands, "check", call, example="--config my.toml")
    add_config(command)
    command.add_argument(
        "--hands-off",
        action="store_true",
        help="leave the dials alone (default: each is moved by its smallest step and put back)",
    )
    command.add_argument("--json", action="store_true", help="print JSON")


def call(options: argparse.Namespace) -> int:
    from moontrim.preflight.checklist import check

    settings = settings_of(options, home_by_gps=True)
    of_service = state_folder_of_service(config_path(options).absolute())
    logging.basicConfig(level=logging.CRITICAL)  # the list contains what is wrong
    findings = asyncio.run(
        check(
            settings,
            ephemeris_of(settings),
            SystemClock(),
            move_dials=not options.hands_off,
            state_folders=() if of_service is None else (of_service,),
        )
    )
    if options.json:
        print(json.dumps([finding.as_json() for finding in findings], indent=1))
    else:
        console = Console()
        colours = {"ok": "green", "note": "yellow", "fail": "bold red"}
        width = max(len(finding.what) for finding in findings)
        for finding in findings:
            console.print(
                f"[{colours[finding.level]}]{finding.level.upper():4}[/]  "
                f"{finding.what:{width}}  {finding.text}",
                highlight=False,
                soft_wrap=True,
            )
    return 1 if any(finding.level == "fail" for finding in findings) else 0
