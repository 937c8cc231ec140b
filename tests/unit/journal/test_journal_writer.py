"""The writing thread: a disk that is slow, refuses, or comes back costs the daemon nothing."""

import asyncio
import logging
import sqlite3
import threading
import time
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import cast

import pytest

from moontrim.journal import writer as module
from moontrim.journal.file import JournalFile
from moontrim.journal.records import Record, Second
from moontrim.journal.writer import Writer
from support.journals import T0, journal_file, recorder, seconds, utc_seconds
from support.processor import unloaded_s, within


class FakeFile:
    """Takes what it is given, as slowly and as badly as it is told to."""

    def __init__(self) -> None:
        self.batches: list[list[int]] = []
        self.error: Exception | None = None
        self.began_s: list[float] = []
        self.open = threading.Event()
        self.open.set()
        self.closed = False

    def write(self, batch: Sequence[Record]) -> None:
        self.began_s.append(time.monotonic())
        assert self.open.wait(20)
        if self.error is not None:
            raise self.error
        self.batches.append([r.utc_s for r in batch if isinstance(r, Second)])

    def close(self) -> None:
        self.closed = True

    @property
    def seconds(self) -> list[int]:
        return [second for batch in self.batches for second in batch]


def writer(folder: Path, file: FakeFile) -> Writer:
    made = Writer(folder, cast("JournalFile", file))
    made.start()
    return made


async def until(true: Callable[[], bool], within_s: float = 10.0) -> None:
    async with within(within_s):
        while not true():
            await asyncio.sleep(0.005)


def test_a_commit_at_once_and_then_what_has_come_together(tmp_path: Path) -> None:
    async def main() -> None:
        file = FakeFile()
        journal = writer(tmp_path, file)
        for records in seconds(recorder(), T0, 20):
            journal.put(records)
            await asyncio.sleep(0.05)
        await journal.close()
        assert file.seconds == list(range(T0, T0 + 20))
        # A second or more in all: one at once, one or more between, one at the end.
        assert file.batches[0] == [T0] and len(file.batches) >= 3
        pauses_s = [later - s for s, later in pairwise(file.began_s[:-1])]
        assert min(pauses_s) > 0.99 * module.PAUSE_S
        assert file.closed and journal.problem == ""

    asyncio.run(main())


def test_no_pause_where_much_waits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A rehearsal runs through hours in a minute."""
    monkeypatch.setattr(module, "PAUSE_S", 1000.0)

    async def main() -> None:
        file = FakeFile()
        journal = writer(tmp_path, file)
        for n, records in enumerate(seconds(recorder(), T0, 10_000)):
            journal.put(records)
            if n % module.HURRY == 0:  # no more waits than the thread may take in one piece
                await until(lambda n=n: len(file.seconds) > n - module.HURRY)  # type: ignore[misc]
        await journal.flush()
        assert file.seconds == list(range(T0, T0 + 10_000))
        await journal.close()

    asyncio.run(main())


def test_a_disk_that_hangs_holds_nobody_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(module, "SILENT_S", 0.2)
    monkeypatch.setattr(module, "FAREWELL_S", 0.3)

    async def main() -> None:
        file = FakeFile()
        file.open.clear()
        journal = writer(tmp_path, file)
        records = list(seconds(recorder(), T0, 600))
        began_s = unloaded_s()
        for each in records:
            journal.put(each)
        assert unloaded_s() - began_s < 0.1, "handing over 600 seconds waits for nothing"
        await until(lambda: journal.problem != "")
        assert journal.problem == "journal: the disk is slow; 600 s waiting"
        began_s = unloaded_s()
        await journal.close()
        assert unloaded_s() - began_s < 1.0
        assert "not fully written at exit" in caplog.text
        file.open.set()
        await until(lambda: file.closed)
        assert file.seconds == list(range(T0, T0 + 600))

    asyncio.run(main())


@pytest.mark.parametrize(
    ("error", "problem"),
    [
        (OSError(28, "No space left on device"), "no space left on device"),
        (OSError(30, "Read-only file system"), "read-only file system"),
        (sqlite3.OperationalError("database is locked"), "database is locked"),
        (RuntimeError("a mistake of ours"), "a mistake of ours"),
    ],
)
def test_a_refusing_disk_is_tried_again_and_loses_nothing(
    tmp_path: Path,
    error: Exception,
    problem: str,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    monkeypatch.setattr(module, "RETRY_S", (0.02, 0.05))
    caplog.set_level(logging.INFO)

    async def main() -> None:
        file = FakeFile()
        file.error = error
        journal = writer(tmp_path, file)
        for records in seconds(recorder(), T0, 312):
            journal.put(records)
        await journal.flush()
        assert journal.problem == f"journal: {problem}; 312 s waiting"
        await until(lambda: len(file.began_s) >= 5)
        assert caplog.text.count("cannot be written") == 1, "said once, not at every try"
        file.error = None
        await until(lambda: journal.problem == "")
        await journal.close()
        assert file.seconds == list(range(T0, T0 + 312))
        assert caplog.text.count("journal writable again") == 1

    asyncio.run(main())


def test_only_the_newest_hour_waits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "RETRY_S", (0.02,))

    async def main() -> None:
        file = FakeFile()
        file.error = OSError(28, "No space left on device")
        journal = writer(tmp_path, file)
        for n, records in enumerate(seconds(recorder(), T0, 21_000)):
            journal.put(records)
            if n % 500 == 0:
                await journal.flush()  # so that some are in hand when others are dropped
        await journal.flush()
        assert journal.problem.endswith("; 20000 s waiting, 1000 s lost")
        file.error = None
        await until(lambda: journal.problem == "")
        await journal.close()
        assert file.seconds == list(range(T0 + 1_000, T0 + 21_000))

    asyncio.run(main())


def test_what_is_dropped_takes_nothing_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The session and the context of what is left are written with it, though their own records
    were dropped first."""
    monkeypatch.setattr(module, "CAPACITY", 100)
    blocked = tmp_path / "folder"
    blocked.write_text("no folder")

    async def main() -> None:
        recording = recorder()
        journal = Writer(blocked, journal_file(blocked))
        journal.start()
        journal.put([recording.session])
        for records in seconds(recording, T0, 500):
            journal.put(records)
        await journal.flush()
        assert journal.problem == "journal: file exists; 100 s waiting, 400 s lost"
        blocked.unlink()
        await journal.flush()
        assert journal.problem == ""
        await journal.close()

    asyncio.run(main())
    assert utc_seconds(blocked) == list(range(T0 + 400, T0 + 500))
    with sqlite3.connect(blocked / "journal.sqlite3") as conn:
        query = (
            "SELECT count(*) FROM seconds JOIN contexts ON contexts.id = context_id JOIN sessions"
        )
        assert conn.execute(query).fetchone() == (100,)
    conn.close()
