"""Cost of a year's forecast of many partners against that of one, as the command prints it.

    python tests/benchmarks/bench_forecast_many.py [partners] [days]

Each run is a process of its own that prints tables to nowhere. The partners are the same places in
every run. What home and the start of the program cost is in the run of one partner and once in that
of many, so the ratio is below the number of partners."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time

RUN = [sys.executable, "-m", "moontrim", "forecast", "--home", "JN88ee", "--frequency", "1296.1e6"]


def places(count: int) -> list[str]:
    chance = random.Random(4)
    return [
        f"--partner={chance.uniform(-45, 60):.3f},{chance.uniform(-180, 180):.3f}"
        for _ in range(count)
    ]


def cost(partners: list[str], days: str) -> tuple[float, float, float]:
    """Seconds of wall clock and of processor, and the peak of memory in MB."""
    began = time.perf_counter()
    process = subprocess.Popen(
        [*RUN, "--from", "2026-01-01T00:00:00Z", "--days", days, *partners],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise SystemExit(f"exit code {process.returncode}")
    wall_s = time.perf_counter() - began
    return wall_s, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def main(arguments: list[str]) -> None:
    count = int(arguments[0]) if arguments else 40
    days = arguments[1] if len(arguments) > 1 else "365"
    partners = places(count)
    costs = [cost(partners[:number], days) for number in (1, count)]
    for number, (wall_s, processor_s, peak_mb) in zip((1, count), costs, strict=True):
        print(
            f"{number:5d} partners {wall_s:8.2f} s, {processor_s:8.2f} s of processor, "
            f"peak memory {peak_mb:5.0f} MB"
        )
    (_, one_s, one_mb), (_, many_s, many_mb) = costs
    print(f"ratio of {count} partners to one: processor {many_s / one_s:.1f}, ", end="")
    print(f"memory {many_mb / one_mb:.2f}")


if __name__ == "__main__":
    main(sys.argv[1:])
