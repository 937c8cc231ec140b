"""Plays one run from beginning to end on a separate event loop, and detects errors that nothing
reports: logged exceptions, coroutines never awaited, exceptions that cannot be raised anywhere."""

from __future__ import annotations

import asyncio
import gc
import logging
import signal
import sys
import tempfile
import traceback
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from unittest.mock import patch

from moontrim.path import Ephemeris
from soak.faults import ALL
from soak.invariants import Judge
from soak.plan import QUIET, Mix, draw
from soak.station import Hung, SoakClock
from soak.world import World

LAG_S = 5.0  # of processor time; chosen: the longest single call of a run takes less than one


@dataclass
class Outcome:
    """The result of a run. violations: empty if all was well."""

    seed: int
    mix: str
    hours: float
    digest: str
    described: str
    violations: list[str]
    last: list[str]
    counts: dict[str, int] = field(default_factory=dict)
    longest_back_s: float = 0.0


def play(seed: int, duration_s: float, ephemeris: Ephemeris, mix: Mix = QUIET) -> Outcome:
    """Plays one run from beginning to end."""
    memory = Path("/dev/shm")  # a disk whose fsync costs nothing
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        plan = draw(seed, folder, duration_s, ALL, ephemeris, mix)
        clock = SoakClock(plan.start_utc_s)
        worlds: list[World] = []

        async def main() -> None:
            world = World(plan, ephemeris, clock)
            worlds.append(world)
            asyncio.get_running_loop().set_exception_handler(
                lambda _, context: world.judge.violated(f"unhandled: {context}")
            )
            with patch("asyncio.to_thread", world.station.disk.to_thread), _listening(world.judge):
                await world.run()
            gc.collect()

        try:
            with _patience(60.0 + duration_s / 60.0, clock):
                clock.run(main())
        except Hung as hung:
            worlds[0].judge.violated(f"it hangs: {hung}")
        world = worlds[0]
    return Outcome(
        seed=seed,
        mix=mix.name,
        hours=duration_s / 3600.0,
        digest=world.trace.digest(),
        described=plan.describe(),
        violations=world.judge.violations,
        last=list(world.trace.last),
        counts=dict(world.trace.counts),
        longest_back_s=world.longest_back_s,
    )


@contextmanager
def _patience(processor_s: float, clock: SoakClock) -> Iterator[None]:
    """Raises Hung wherever the program is when it has used so much processor time, or when the
    event loop has not turned for LAG_S of it. Both are many times what a run takes; what else the
    machine does has no effect."""
    looks, passes = 0, -1

    def look(*args: object) -> None:
        nonlocal looks, passes
        looks += 1
        if clock.passes == passes:
            raise Hung(f"the event loop did not turn in {LAG_S:.0f} s of processor time")
        if looks * LAG_S >= processor_s:
            raise Hung(f"no end after {processor_s:.0f} s of processor time")
        passes = clock.passes

    before = signal.signal(signal.SIGPROF, look)
    signal.setitimer(signal.ITIMER_PROF, LAG_S, LAG_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.signal(signal.SIGPROF, before)


@contextmanager
def _listening(judge: Judge) -> Iterator[None]:
    """Exceptions that were only logged, coroutines never awaited, and what the interpreter could
    not raise anywhere count as violations as well."""

    class Ear(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if record.exc_info:
                lines = "".join(traceback.format_exception(*record.exc_info))
                judge.violated(f"logged: {record.getMessage()}: {lines}")

    ear, root = Ear(logging.ERROR), logging.getLogger()
    level, handlers = root.level, root.handlers
    root.handlers = [ear]
    root.setLevel(logging.ERROR)
    hook = sys.unraisablehook
    sys.unraisablehook = lambda error: judge.violated(f"unraisable: {error.exc_value!r}")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            warnings.filterwarnings("error", message=".*never awaited")
            yield
    finally:
        sys.unraisablehook = hook
        root.handlers = handlers
        root.setLevel(level)
