"""A process that writes a journal is killed with SIGKILL, again and again, at random moments: no
second is missing that was handed over a second ago, and the file is whole.

What is killed hands over fifty of its seconds in one of ours, so that every moment of a commit is
hit."""

import math
import multiprocessing
import os
import random
import signal
import sys
import time
from collections.abc import Iterator
from multiprocessing.context import ForkServerProcess
from pathlib import Path

import pytest

from moontrim.journal.schema import NAME
from support.effort import MOST
from support.journals import T0, journal_file, rows, utc_seconds, write_until_killed
from support.processor import all_waited_for_processor_s

FOLDERS = 5  # at a time
ROUNDS = 40 if MOST else 5
PERIOD_S = 0.02
OLD_S = 1.0  # handed over longer ago than this, a second must be there


@pytest.fixture(scope="module")
def processes() -> Iterator[multiprocessing.context.ForkServerContext]:
    """Forked from a process that has imported everything and does nothing else."""
    context = multiprocessing.get_context("forkserver")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", os.pathsep.join(filter(None, sys.path)))
        context.set_forkserver_preload(["journals"])
        yield context


class Victim:
    """One process that writes one journal."""

    def __init__(
        self, context: multiprocessing.context.ForkServerContext, folder: Path, life_s: float
    ) -> None:
        self.folder = folder
        self._told = folder.with_name(folder.name + "-told")
        self._told.unlink(missing_ok=True)
        self._process: ForkServerProcess = context.Process(
            target=write_until_killed, args=(folder, PERIOD_S, self._told)
        )
        self._process.start()
        self.life_s = life_s
        self.waited_s = 0.0  # for a processor, since it was ready

    @property
    def pid(self) -> int:
        assert self._process.pid is not None
        return self._process.pid

    def wait_until_ready(self) -> None:
        deadline_s = time.monotonic() + 30.0
        while not self._told.exists():
            assert time.monotonic() < deadline_s
            time.sleep(0.01)
        self.waited_s = -all_waited_for_processor_s(self.pid)

    def kill(self) -> float:
        """The monotonic instant."""
        self.waited_s += all_waited_for_processor_s(self.pid)
        at_s = time.monotonic()
        os.kill(self.pid, signal.SIGKILL)
        self._process.join()
        self._process.close()
        return at_s

    def told(self) -> list[tuple[int, float]]:
        """Each second handed over and when."""
        lines = [line.split() for line in self._told.read_text().splitlines()[1:]]
        return [(int(second), float(at_s)) for second, at_s in lines]


def lost_age_s(victim: Victim, before: list[int], killed_s: float) -> float:
    """How old the oldest second was that is missing; the rest of the journal must be whole."""
    assert rows(victim.folder, "PRAGMA integrity_check") == [("ok",)]
    found, told = utc_seconds(victim.folder), victim.told()
    assert found[: len(before)] == before, "what is written stays"
    new, all_told = found[len(before) :], [second for second, _ in told]
    # The very last may have been handed over, written, and not told any more.
    assert new == all_told[: len(new)] or new[:-1] == all_told, "no gap, and nothing else"
    return max((killed_s - at_s for _, at_s in told[len(new) :]), default=0.0)


@pytest.mark.long
def test_killed_at_any_moment(
    tmp_path: Path, processes: multiprocessing.context.ForkServerContext
) -> None:
    draw, ages_s, own_ages_s = random.Random(5), [], []
    folders = [tmp_path / str(n) for n in range(FOLDERS)]
    before: dict[Path, list[int]] = {folder: [] for folder in folders}
    for _ in range(ROUNDS):
        victims = [Victim(processes, folder, draw.uniform(0.0, 1.6)) for folder in folders]
        for victim in victims:
            victim.wait_until_ready()
        began_s = time.monotonic()
        for victim in sorted(victims, key=lambda victim: victim.life_s):
            time.sleep(max(0.0, began_s + victim.life_s - time.monotonic()))
            killed_s = victim.kill()
            ages_s.append(lost_age_s(victim, before[victim.folder], killed_s))
            own_ages_s.append(ages_s[-1] - victim.waited_s)
            before[victim.folder] = utc_seconds(victim.folder)
    print(f"{len(ages_s)} kills; oldest second lost {max(ages_s):.3f} s old")
    assert len(ages_s) == FOLDERS * ROUNDS
    assert max(ages_s) > 0.0, "else no kill came between handing over and commit"
    assert max(own_ages_s) <= OLD_S
    for folder in folders:
        assert not any(".unusable-" in path.name for path in folder.iterdir())
        tidy(folder)


def tidy(folder: Path) -> None:
    """The next start ends every session that was killed."""
    file = journal_file(folder)
    file.write([])
    file.close()
    open_ones = rows(folder, "SELECT id FROM sessions WHERE ended_utc_s IS NULL")
    assert open_ones == []
    ((count,),) = rows(folder, "SELECT count(*) FROM sessions")
    assert 1 <= count <= ROUNDS


def test_found_at_any_moment(
    tmp_path: Path, processes: multiprocessing.context.ForkServerContext
) -> None:
    """The files as they are at an instant (the writer stands still meanwhile), as a copy of the
    disk would have them, without SQLite's shared memory."""
    draw = random.Random(7)
    folder, aside = tmp_path / "made", tmp_path / "aside"
    aside.mkdir()
    last: list[int] = []
    victim = Victim(processes, folder, math.inf)
    victim.wait_until_ready()
    checks = 0
    while checks < (150 if MOST else 15) or len(last) <= 20:
        checks += 1
        time.sleep(draw.uniform(0.0, 0.3))
        os.kill(victim.pid, signal.SIGSTOP)
        for ending in ("", "-wal", "-shm"):
            source, target = folder / (NAME + ending), aside / (NAME + ending)
            target.unlink(missing_ok=True)
            if source.exists() and ending != "-shm":
                target.write_bytes(source.read_bytes())
        os.kill(victim.pid, signal.SIGCONT)
        if rows(aside, "SELECT count(*) FROM sqlite_schema") == [(0,)]:
            assert last == [], "not made yet"
            continue
        assert rows(aside, "PRAGMA integrity_check") == [("ok",)]
        found = utc_seconds(aside)
        assert found[: len(last)] == last and len(found) >= len(last)
        assert found == list(range(T0 + 10, T0 + 10 + len(found)))
        last = found
    victim.kill()
