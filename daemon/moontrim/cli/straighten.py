"""`moontrim straighten`: takes the steps of the dial out of a recording."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from moontrim.cli.arguments import add_journal, instant, settings_of
from moontrim.cli.parser import add_command

PHASE_JUMPS = """\
The radio's phase jumps at each step of its dial, so that a long coherent measurement gains nothing
from this. Record with the dial held: pause the correction meanwhile; the whole Doppler is then
taken out."""


def add(commands: Any) -> None:
    command = add_command(
        commands,
        "straighten",
        call,
        example="in.wav out.wav --began 2026-11-25T20:00:00Z --config my.toml",
    )
    command.add_argument("source", type=Path, metavar="IN", help="recording of the radio's sound")
    command.add_argument(
        "target", type=Path, metavar="OUT", help="file to write, in the same format"
    )
    command.add_argument(
        "--began",
        required=True,
        metavar="ISO8601",
        help="time of the first sample, to 0.05 s, UTC unless it has an offset",
    )
    add_journal(command)
    command.add_argument(
        "--dial", choices=("rx", "tx"), default="rx", help="dial that was heard (default: rx)"
    )
    command.add_argument(
        "--sideband",
        choices=("usb", "lsb"),
        default="usb",
        help="sideband of the receiver (default: usb)",
    )
    command.add_argument("--json", action="store_true", help="print JSON")


def call(options: argparse.Namespace) -> int:
    import numpy as np

    from moontrim.bench.straighten import Residual
    from moontrim.bench.straightenfile import file_coherence, straighten_file
    from moontrim.formats import count
    from moontrim.journal.readonly import open_journal
    from moontrim.journal.schema import NAME
    from moontrim.report.dialcourse import RecordedDial, recorded_dial
    from moontrim.report.recorded import damage_named

    began_utc_s = instant(options.began, "--began")
    path = options.journal
    if path is None:
        path = settings_of(options, home_by_gps=True).state_path() / NAME
    used: list[tuple[RecordedDial, Residual]] = []

    def residual_of(length_s: float) -> Residual:
        connection = open_journal(path)
        try:
            with damage_named():
                dial = recorded_dial(connection, options.dial, began_utc_s, began_utc_s + length_s)
        finally:
            connection.close()
        used.append((dial, dial.course.residual()))
        return used[0][1]

    length_s = straighten_file(options.source, options.target, residual_of, options.sideband)
    dial, residual = used[0]
    hz = residual.sampled_hz(np.arange(0.0, length_s, 0.01))
    coherence = file_coherence(options.target, dial.course.step_s)
    jumps = coherence.jumps if coherence is not None and coherence.can_tell else None
    facts = {
        "duration_s": round(length_s, 3),
        "steps": dial.steps,
        "steps_of_uncertain_instant": dial.blurred,
        "rms_hz": round(float(np.sqrt(np.mean(hz**2))), 4),
        "max_hz": round(float(np.max(np.abs(hz))), 4),
        "phase_jumps_at_steps": jumps,
        "out": str(options.target),
    }
    if options.json:
        print(json.dumps(facts, indent=1))
        return 0
    steps = f"{count(dial.steps, 'step')} of the {options.dial} dial taken out"
    print(
        f"{options.target}: {facts['duration_s']} s, {steps}; residual {facts['rms_hz']} Hz RMS, "
        f"at most {facts['max_hz']} Hz"
    )
    if dial.blurred:
        print(
            f"instant uncertain by more than 0.1 s: {count(dial.blurred, 'step')} (dial turned by "
            "hand, or radio slow); the phase jumps there"
        )
    if jumps:
        print(PHASE_JUMPS)
    elif jumps is None:
        print(
            "not known whether the radio keeps its phase at the steps: no tone strong enough, or "
            "too few steps"
        )
    return 0
