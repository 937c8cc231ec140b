"""The results of a rehearsal as text."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from moontrim.formats import grouped, iso
from moontrim.rehearsal.faultjudge import FaultOutcome
from moontrim.rehearsal.judgement import Result


def show_result(result: Result, plot: Path) -> None:
    """Prints the summary of a rehearsal."""
    minutes = (result.end_utc_s - result.start_utc_s) / 60.0
    length = f"{minutes / 60.0:.1f} h" if minutes >= 60.0 else f"{minutes:.1f} min"
    print(
        f"{length} on {result.band}, agreement {result.agreement}, "
        f"sked {grouped(result.sked_hz)} Hz"
    )
    print(
        f"seconds tracked {grouped(result.ticks)}, missed {grouped(result.missed_seconds)}, "
        f"faults {grouped(len(result.faults))}"
    )
    for dial in result.dials:
        print(
            f"{dial.name:8} steps {grouped(dial.steps)}, residual RMS {dial.rms_hz:.3f} Hz, "
            f"max {dial.max_hz:.3f} Hz"
        )
    if not result.dials:
        print("nothing to judge: correction was paused, or a choice changed at the end")
    for fault in result.faults[:10]:
        print(f"fault {iso(fault.at_utc_s)} {fault.text}")
    print(f"plot {plot}")
    print("on frequency throughout" if result.passed else "NOT on frequency throughout")


def show_recoveries(outcomes: Sequence[FaultOutcome]) -> None:
    """Prints how long the daemon took to recover from each fault."""
    for one in outcomes:
        took = "never" if one.took_s is None else f"{one.took_s:.1f} s"
        print(f"{one.fault}: {took} (limit {one.limit_s:.1f} s); {one.effect}")
        print(f"    states: {', '.join(one.states) or 'no change'}")
    passed = bool(outcomes) and all(one.passed for one in outcomes)
    print("all as it should be" if passed else "NOT all as it should be")
