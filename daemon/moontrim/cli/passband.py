"""`moontrim passband`: how flat a receiver is, from a recording of noise."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from moontrim.cli.parser import add_command
from moontrim.errors import InputError


def add(commands: Any) -> None:
    command = add_command(
        commands, "passband", call, example="noise.wav --low 300 --high 2700 --plot passband.png"
    )
    command.add_argument(
        "recording",
        type=Path,
        metavar="FILE",
        help="recording of a minute or more of noise through the receiver: WAV, FLAC, AIFF or Ogg",
    )
    command.add_argument(
        "--low",
        default="200",
        metavar="HZ",
        help="lower edge of the ripple measurement (default: 200)",
    )
    command.add_argument(
        "--high",
        default="3000",
        metavar="HZ",
        help="upper edge of the ripple measurement (default: 3000)",
    )
    command.add_argument("--json", action="store_true", help="print JSON")
    command.add_argument(
        "--plot", type=Path, metavar="FILE", help="write a plot to FILE.png or FILE.svg"
    )


def call(options: argparse.Namespace) -> int:
    low_hz, high_hz = _hertz(options.low, "--low"), _hertz(options.high, "--high")
    if not low_hz < high_hz:
        raise InputError("--low", options.low, f"less than --high {options.high}")
    from moontrim.bench.passband.measure import measure_passband
    from moontrim.bench.recording import read_recording

    if options.plot is not None:
        from moontrim.cli.picturefile import check_picture

        check_picture(options.plot)
    passband = measure_passband(read_recording(options.recording), low_hz, high_hz)
    if options.plot is not None:
        from moontrim.bench.passband.picture import draw_passband

        draw_passband(passband, options.plot)
        print(f"moontrim: wrote {options.plot}", file=sys.stderr)
    if options.json:
        from moontrim.bench.passband.show import as_plain

        print(json.dumps(as_plain(passband), indent=1, allow_nan=False))
    else:
        from moontrim.bench.passband.show import show_passband

        show_passband(passband)
    return 0 if passband.is_valid else 1


def _hertz(text: str, field: str) -> float:
    try:
        value_hz = float(text)
    except ValueError:
        value_hz = float("nan")
    if not 0.0 < value_hz < float("inf"):
        raise InputError(field, text, "an audio frequency in Hz, more than 0")
    return value_hz
