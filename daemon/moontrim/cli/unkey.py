"""`moontrim unkey`: switches off everything that a config could key, without the daemon."""

from __future__ import annotations

import argparse
import os
from typing import Any

from moontrim.cli.arguments import add_config, settings_of
from moontrim.cli.parser import add_command


def add(commands: Any) -> None:
    command = add_command(commands, "unkey", call, example="--config my.toml")
    add_config(command)


def call(options: argparse.Namespace) -> int:
    from moontrim.keying.unkey import unkey
    from moontrim.service.orderlystop import stopped_in_order
    from moontrim_drivers.serial.exchange import locate

    settings = settings_of(options, home_by_gps=True)
    if stopped_in_order(settings.state_path(), os.environ):
        print("moontrim stopped in order with all outputs off: nothing to switch off")
        return 0
    results = unkey(settings.keying, settings.radio, resolve=locate)
    if not results:
        print("keying is not enabled in the config: nothing to switch off")
    for result in results:
        print(result)
    return 1 if any(result.trouble for result in results) else 0
