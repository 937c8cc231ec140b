"""Runs the fuzz targets by hand: `python tests/fuzz/run.py --seconds 600`, one of them with
`--target`, or one input again with `--replay FILE`. Exit code 1 if anything failed.

With atheris installed (`pip install atheris`) a single `--target` is guided by coverage; `--seeded`
uses the seeded damage of the tests instead."""

from __future__ import annotations

import argparse
import contextlib
import importlib.util
import logging
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))


def main() -> int:
    parser = argparse.ArgumentParser(description="Every parser against bytes that it must survive.")
    parser.add_argument("--target", help="this one only; default: all, one after the other")
    parser.add_argument("--seconds", type=float, help="for each target")
    parser.add_argument("--runs", type=int, help="inputs for each target; default 10000")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seeded", action="store_true", help="no atheris")
    parser.add_argument("--replay", type=Path, metavar="FILE", help="run this one input")
    parser.add_argument("--list", action="store_true")
    options = parser.parse_args()
    logging.disable(logging.CRITICAL)  # refusals are logged by the million
    runs = 10_000 if options.runs is None and options.seconds is None else options.runs
    single = options.target is not None and options.replay is None and not options.seeded
    guided = single and importlib.util.find_spec("atheris") is not None
    with _instrumented() if guided else contextlib.nullcontext():
        from fuzz.runner import by_coverage, run, save
        from fuzz.targets import TARGETS
    if options.target is not None and options.target not in TARGETS:
        parser.error(f"--target: {options.target!r} is none of {', '.join(TARGETS)}")
    if options.list:
        print("\n".join(TARGETS))
        return 0
    if options.replay is not None:
        if options.target is None:
            parser.error("--replay needs --target")
        TARGETS[options.target].one(options.replay.read_bytes())
        print("nothing wrong")
        return 0
    if guided:
        by_coverage(TARGETS[options.target], options.seed, options.seconds, runs)
    failed = False
    for name in [options.target] if options.target else TARGETS:
        outcome = run(TARGETS[name], seed=options.seed, seconds=options.seconds, runs=runs)
        print(outcome.line(), flush=True)
        if outcome.defect:
            failed = True
            print(save(outcome), flush=True)
    return 1 if failed else 0


def _instrumented() -> contextlib.AbstractContextManager[object]:
    import atheris

    return atheris.instrument_imports(include=["moontrim", "moontrim_drivers"])


if __name__ == "__main__":
    sys.exit(main())
