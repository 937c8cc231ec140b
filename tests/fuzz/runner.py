"""Runs targets: guided by coverage with atheris where that is installed, else with seeded damage.

An input that raises, or takes more than its share of processor time, is saved under out/fuzz and
reported with the command that runs it again."""

from __future__ import annotations

import hashlib
import itertools
import math
import resource
import signal
import sys
import time
import traceback
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from fuzz.mutate import inputs
from fuzz.target import DefectError, Target

OUT = Path(__file__).parents[2] / "out" / "fuzz"
LONGEST_S = 5.0  # of processor time for one input; machines are shared, and some are slow
SHOWN = 1000  # bytes of an input that failed; all of it is kept
MOST_GROWTH_MB = 300.0  # of memory, from the first thousand inputs on


@dataclass
class Outcome:
    """The result of a run. took_s, slowest_s: processor time of all inputs, and of the slowest one.
    growth_mb: of memory. defect: what failed, empty if nothing did."""

    target: str
    seed: int = 1
    runs: int = 0
    took_s: float = 0.0
    slowest_s: float = 0.0
    growth_mb: float = 0.0
    failure: bytes | None = None
    defect: str = ""

    def line(self) -> str:
        per_s = self.runs / self.took_s if self.took_s else 0.0
        end = "DEFECT" if self.defect else "ok"
        return (
            f"{self.target:16} {self.runs:>9} inputs {self.took_s:7.1f} s {per_s:8.0f}/s  "
            f"slowest {1000 * self.slowest_s:6.1f} ms  +{self.growth_mb:.0f} MB  {end}"
        )


def run(target: Target, *, seed: int, seconds: float | None, runs: int | None) -> Outcome:
    """Runs the seeds and damaged inputs for so many seconds of real time, but at least one beyond
    the seeds, up to a count, or until one fails. Times in the outcome are processor time."""
    outcome = Outcome(target.name, seed)
    began_s, base_mb = time.process_time(), 0.0
    until_s = math.inf if seconds is None else time.monotonic() + seconds
    previous = signal.signal(signal.SIGVTALRM, _too_long)
    try:
        for data in itertools.islice(inputs(target, seed), runs):
            start_s = time.process_time()
            # Again and again, should what is tested catch it and go on.
            signal.setitimer(signal.ITIMER_VIRTUAL, LONGEST_S, LONGEST_S)
            try:
                target.one(data)
            except (Exception, DefectError):
                outcome.defect = traceback.format_exc(limit=-12)
            finally:
                signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
            now_s = time.process_time()
            outcome.slowest_s = max(outcome.slowest_s, now_s - start_s)
            outcome.runs += 1
            if outcome.defect:
                outcome.failure = data
                break
            if outcome.runs == 1000:
                base_mb = _memory_mb()
            if time.monotonic() > until_s and outcome.runs > len(target.seeds):
                break
    finally:
        signal.signal(signal.SIGVTALRM, previous)
    outcome.took_s = time.process_time() - began_s
    outcome.growth_mb = _memory_mb() - base_mb if base_mb else 0.0
    if outcome.growth_mb > MOST_GROWTH_MB and not outcome.defect:
        outcome.defect = f"memory grew by {outcome.growth_mb:.0f} MB: something is kept for ever"
    return outcome


def save(outcome: Outcome) -> str:
    """Saves a failing input and returns the report of it."""
    again = f"python tests/fuzz/run.py --target {outcome.target}"
    all_of_it = f"all of it: {again} --seeded --seed {outcome.seed} --runs {outcome.runs}"
    if outcome.failure is None:
        return f"{outcome.defect}\n{all_of_it}"
    OUT.mkdir(parents=True, exist_ok=True)
    digest = hashlib.sha256(outcome.failure).hexdigest()[:12]
    path = OUT / f"{outcome.target}-{digest}"
    path.write_bytes(outcome.failure)
    shown = outcome.failure if len(outcome.failure) <= SHOWN else outcome.failure[:SHOWN] + b"..."
    return (
        f"{outcome.defect}\nseed {outcome.seed}, input {outcome.runs}: {shown!r}\n"
        f"again: {again} --replay {path}\n{all_of_it}"
    )


def by_coverage(target: Target, seed: int, seconds: float | None, runs: int | None) -> None:
    """Runs a target guided by atheris, which must have instrumented the daemon's modules at their
    import. Never returns: the fuzzer ends the process."""
    import atheris

    def one(data: bytes) -> None:
        try:
            target.one(data)
        except (Exception, DefectError):
            outcome = Outcome(target.name, failure=data, defect=traceback.format_exc(limit=-12))
            print(save(outcome), file=sys.stderr, flush=True)
            raise

    corpus = OUT / "corpus" / target.name
    corpus.mkdir(parents=True, exist_ok=True)
    for data in target.seeds:
        (corpus / hashlib.sha256(data).hexdigest()[:12]).write_bytes(data)
    tokens = OUT / f"{target.name}.dict"
    quoted = ("".join(f"\\x{byte:02x}" for byte in token) for token in target.tokens if token)
    tokens.write_text("".join(f'"{token}"\n' for token in quoted))
    options = [f"-seed={seed}", "-max_len=4096", f"-timeout={LONGEST_S:.0f}", f"-dict={tokens}"]
    options += [
        f"-artifact_prefix={OUT}/{target.name}-",
        "-rss_limit_mb=2048",
        "-print_final_stats=1",
    ]
    options += [f"-max_total_time={seconds:.0f}"] if seconds is not None else []
    options += [f"-runs={runs}"] if runs is not None else []
    atheris.Setup([sys.argv[0], *options, str(corpus)], one)
    atheris.Fuzz()


def _memory_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def _too_long(number: int, frame: FrameType | None) -> None:
    raise DefectError(f"more than {LONGEST_S:.0f} s of processor time for one input")
