"""What the journal costs: size on the disk, processor time and time of a commit.

    python tests/benchmarks/bench_journal.py [folder]

The folder (default: the present one) decides which disk is measured. Both sides of the journal are
timed apart: the event loop's, which hands over, and the writing thread's. `synchronous=NORMAL`
stands beside for comparison: it is what a power-safe commit costs more."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from moontrim.journal.file import JournalFile
from moontrim.journal.records import Record
from moontrim.journal.schema import NAME
from support.journals import T0, journal_file, recorder, seconds, snapshot

HOURS_6 = 21_600
COMMITS = 1_000


def size(folder: Path) -> None:
    file, batch = (
        journal_file(folder),
        [r for part in seconds(recorder(), T0, HOURS_6) for r in part],
    )
    file.write(batch)
    file.close()
    mb = (folder / NAME).stat().st_size / 1e6
    print(f"six hours                     {mb:8.2f} MB ({1e6 * mb / HOURS_6:.0f} bytes a second)")


def handing_over() -> None:
    own, seen = recorder(), [snapshot(T0 + n, n + 1) for n in range(5_000)]
    began_s = time.process_time()
    for each in seen:
        own.take(each, 0.001)
    us = 1e6 * (time.process_time() - began_s) / len(seen)
    print(f"event loop, a second          {us:8.0f} us")


def commits(file: JournalFile, name: str) -> None:
    """One second a commit, as on the air. The slowest ones empty the log into the file."""
    own = recorder()
    first: list[Record] = [own.session, *next(seconds(own, T0 - 1, 1))]
    file.write(first)
    if name == "NORMAL":
        assert file._conn is not None
        file._conn.execute("PRAGMA synchronous = NORMAL")
    batches = [own.take(snapshot(T0 + n, n + 2)) for n in range(COMMITS)]
    took_ms, began_s = [], time.thread_time()
    for records in batches:
        took_ms.append(1e3 * timed_s(lambda batch=records: file.write(batch)))  # type: ignore[misc]
    cpu_us = 1e6 * (time.thread_time() - began_s) / COMMITS
    middle, high, top = np.percentile(took_ms, [50, 99, 100])
    print(
        f"commit, synchronous {name:6}    {cpu_us:8.0f} us of processor; "
        f"{middle:.2f} ms, 99 % {high:.2f} ms, slowest {top:.1f} ms"
    )
    file.close()


def timed_s(call: Callable[[], object]) -> float:
    began_s = time.perf_counter()
    call()
    return time.perf_counter() - began_s


def main(arguments: list[str]) -> None:
    where = arguments[0] if arguments else "."
    for step in ("size", "FULL", "NORMAL"):
        with TemporaryDirectory(dir=where) as folder:
            if step == "size":
                size(Path(folder))
            else:
                commits(journal_file(Path(folder)), step)
    handing_over()


if __name__ == "__main__":
    main(sys.argv[1:])
