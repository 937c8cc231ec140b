"""The fuzz targets by hand: `python tests/fuzz/run.py --seconds 600`, or one of them with
`--target`, or one input again with `--replay FILE`. Exit code 1 if anything failed.

With atheris installed (`pip install atheris`) a single `--target` is driven by coverage; `--seeded`
keeps to the seeded damage that the tests use."""

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
    given = parser.parse_args()
    logging.disable(logging.CRITICAL)  # refusals are logged by the million
    runs = 10_000 if given.runs is None and given.seconds is None else given.runs
    single = given.target is not None and given.replay is None and not given.seeded
    guided = single and importlib.util.find_spec("atheris") is not None
    with _instrumented() if guided else contextlib.nullcontext():
        from fuzz.runner import by_coverage, keep, run
        from fuzz.targets import TARGETS
    if given.target is not None and given.target not in TARGETS:
        parser.error(f"--target: {given.target!r} is none of {', '.join(TARGETS)}")
    if given.list:
        print("\n".join(TARGETS))
        return 0
    if given.replay is not None:
        if given.target is None:
            parser.error("--replay needs --target")
        TARGETS[given.target].one(given.replay.read_bytes())
        print("nothing wrong")
        return 0
    if guided:
        by_coverage(TARGETS[given.target], given.seed, given.seconds, runs)
    failed = False
    for name in [given.target] if given.target else TARGETS:
        outcome = run(TARGETS[name], seed=given.seed, seconds=given.seconds, runs=runs)
        print(outcome.line(), flush=True)
        if outcome.told:
            failed = True
            print(keep(outcome), flush=True)
    return 1 if failed else 0


def _instrumented() -> contextlib.AbstractContextManager[object]:
    import atheris

    return atheris.instrument_imports(include=["moontrim", "moontrim_drivers"])


if __name__ == "__main__":
    sys.exit(main())
