"""Runs the soak by hand: `python tests/soak/run.py --hours 10000 --seed 1 --processes 2`, or one
run again with `--replay SEED --run-hours H`; both with `--mix wild` if wanted. Exit code 1 if
anything was violated."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from soak.plan import MIXES
from soak.runner import RUN_S, replay, report, run_many


def main() -> int:
    parser = argparse.ArgumentParser(description="The whole daemon under random misfortunes.")
    parser.add_argument("--hours", type=float, default=1000.0, help="simulated hours in all")
    parser.add_argument("--seed", type=int, default=1, help="of the first run; then one by one up")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument(
        "--mix", choices=sorted(MIXES), default="quiet", help="wild: more of everything"
    )
    parser.add_argument("--run-hours", type=float, default=RUN_S / 3600.0, help="hours in each run")
    parser.add_argument(
        "--replay", type=int, metavar="SEED", help="this one run only, told in full"
    )
    options = parser.parse_args()
    mix = MIXES[options.mix]
    if options.replay is not None:
        outcome = replay(options.replay, options.run_hours * 3600.0, mix)
        print("\n".join(report(outcome)) if outcome.violations else outcome.described)
        print(f"trace {outcome.digest}")
        return 1 if outcome.violations else 0
    total = run_many(
        options.seed,
        options.hours,
        options.processes,
        options.run_hours * 3600.0,
        mix,
        lambda line: print(line, flush=True),
    )
    print("\n".join(total.lines()))
    return 1 if total.failed else 0


if __name__ == "__main__":
    sys.exit(main())
