"""Many runs in several processes, and their totals."""

from __future__ import annotations

import gc
import multiprocessing
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field

from moontrim.clock.system import SystemClock
from moontrim.path import Ephemeris
from soak.plan import QUIET, Mix
from soak.play import Outcome, play

RUN_S = 2 * 3600.0
REPLAY = "python tests/soak/run.py --replay"
_tables: list[Ephemeris] = []


@dataclass
class Total:
    """The sum of many runs. failed: those with violations."""

    hours: float = 0.0
    took_s: float = 0.0
    runs: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    failed: list[Outcome] = field(default_factory=list)
    longest_back_s: float = 0.0

    def add(self, outcome: Outcome) -> None:
        self.hours += outcome.hours
        self.runs += 1
        self.counts.update(outcome.counts)
        self.longest_back_s = max(self.longest_back_s, outcome.longest_back_s)
        if outcome.violations:
            self.failed.append(outcome)

    def lines(self) -> Iterator[str]:
        misfortunes = {n: c for n, c in sorted(self.counts.items()) if n.startswith("misfortune")}
        yield (
            f"{self.hours:g} simulated hours in {self.runs} runs, {self.counts['ticks']} ticks, in "
            f"{self.took_s:.1f} s: {self.hours * 3600 / max(self.took_s, 1e-9):.0f} times real time"
        )
        yield f"{sum(misfortunes.values())} misfortunes:"
        yield from (f"  {count:7d} {name[12:]}" for name, count in misfortunes.items())
        yield "checks, besides those that are made at every tick:"
        others = {n: c for n, c in sorted(self.counts.items()) if n not in misfortunes}
        yield from (f"  {count:7d} {name}" for name, count in others.items())
        yield f"longest until on frequency again: {self.longest_back_s:.1f} s"
        for outcome in self.failed:
            yield from report(outcome)


def report(outcome: Outcome) -> Iterator[str]:
    """Yields the lines that describe a failure, with the command that repeats it."""
    yield f"FAILED {outcome.described}"
    yield from (f"  {violation}" for violation in outcome.violations)
    yield from (f"    {line}" for line in outcome.last)
    run = f"{outcome.seed} --mix {outcome.mix} --run-hours {outcome.hours:g}"
    yield f"  again: {REPLAY} {run}"


def replay(seed: int, duration_s: float = RUN_S, mix: Mix = QUIET) -> Outcome:
    """Plays one run in this process."""
    if not _tables:
        _tables.append(Ephemeris.load())
        # What is there by now stays: no collection needs to look at it, nor one so often.
        gc.collect()
        gc.freeze()
        gc.set_threshold(20_000, 20, 20)
    return play(seed, duration_s, _tables[0], mix)


def run_many(
    first_seed: int,
    hours: float,
    processes: int = 1,
    run_s: float = RUN_S,
    mix: Mix = QUIET,
    tell: Callable[[str], object] = lambda line: None,
) -> Total:
    """Plays so many simulated hours, in runs of run_s with a seed each. processes: with this one.
    tell: receives failures as they come, and the progress now and then."""
    seeds = range(first_seed, first_seed + max(1, round(hours * 3600.0 / run_s)))
    clock, total = SystemClock(), Total()
    began_s = clock.monotonic_s()
    for outcome in _played(seeds, processes, run_s, mix):
        total.add(outcome)
        if outcome.violations:
            tell("\n".join(report(outcome)))
        elif total.runs % 50 == 0:
            tell(f"{total.hours:g} of {hours:g} hours, {len(total.failed)} runs failed")
    total.took_s = clock.monotonic_s() - began_s
    total.failed.sort(key=lambda outcome: outcome.seed)
    return total


def _played(seeds: Iterable[int], processes: int, run_s: float, mix: Mix) -> Iterator[Outcome]:
    """Yields outcomes in the order in which they end."""
    if processes == 1:
        yield from (replay(seed, run_s, mix) for seed in seeds)
        return
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=fresh) as pool:
        waiting = [pool.submit(replay, seed, run_s, mix) for seed in seeds]
        for done in as_completed(waiting):
            yield done.result()
