"""`moontrim run`: the daemon itself, until stopped."""

from __future__ import annotations

import argparse
import asyncio
import logging
import sys
from typing import Any

from moontrim.clock import Clock, SystemClock
from moontrim.commands.given import add_command, add_config, ephemeris_of, settings_of
from moontrim.path import Ephemeris
from moontrim.settings import Settings


def add(commands: Any) -> None:
    command = add_command(
        commands, "run", call, "keep the radio of a config on frequency until stopped"
    )
    add_config(command)
    command.add_argument("--quiet", action="store_true", help="log lines only, even on a terminal")


def call(options: argparse.Namespace) -> int:
    settings = settings_of(options)
    clock = SystemClock()
    ephemeris = ephemeris_of(settings)
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


def _start_log(clock: Clock, level: int) -> None:
    from moontrim.terminal import UtcFormatter

    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(UtcFormatter(clock))
    logging.basicConfig(level=level, handlers=[handler])
