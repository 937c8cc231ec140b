"""`moontrim schema`: prints the JSON schema of the config file."""

from __future__ import annotations

import argparse
import json
from typing import Any

from moontrim.cli.parser import add_command
from moontrim.config.settings import Settings


def add(commands: Any) -> None:
    add_command(commands, "schema", call, example="> schema.json")


def call(options: argparse.Namespace) -> int:
    print(json.dumps(Settings.model_json_schema(), indent=2))
    return 0
