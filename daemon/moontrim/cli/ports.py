"""`moontrim ports`: lists the serial ports, and what to write into the config for each."""

from __future__ import annotations

import argparse
import json
from typing import Any

from moontrim.cli.parser import add_command


def add(commands: Any) -> None:
    command = add_command(commands, "ports", call, example="")
    command.add_argument("--json", action="store_true", help="print JSON")


def call(options: argparse.Namespace) -> int:
    from moontrim_drivers.serial.portchoice import best_name
    from moontrim_drivers.serial.ports import attached

    ports = attached()
    if options.json:
        rows = [
            {
                "device": port.device,
                "port": best_name(port, ports),
                "vendor_id": port.vendor_id,
                "product_id": port.product_id,
                "serial_number": port.serial_number,
                "description": port.description,
                "links": list(port.links),
            }
            for port in ports
        ]
        print(json.dumps(rows, indent=1))
        return 0
    if not ports:
        print("no serial port is there")
    for port in ports:
        print(" ".join(filter(None, (port.device, port.description))))
        print(f'  port = "{_quoted(best_name(port, ports))}"')
    return 0


def _quoted(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')
