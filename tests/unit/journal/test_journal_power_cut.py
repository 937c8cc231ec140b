"""What a power cut leaves: writes that were not synced may be there, torn, or missing.

SQLite's write-ahead log (format: sqlite.org/fileformat2.html, section 4) is a header of 32 bytes
and frames of 24 bytes and a page; a frame with a length of the file in it ends a commit. Every
commit is synced before the next begins, so what a power cut can spoil is the log from the last
commit on, and pages of the main file while the log is being emptied into it."""

import random
import shutil
import sqlite3
from pathlib import Path

import pytest

from moontrim.journal.schema import NAME
from support.effort import MOST
from support.journals import T0, journal_file, recorder, rows, seconds, snapshot, utc_seconds

HEADER, FRAME = 32, 24 + 4096
WAL = NAME + "-wal"


def ends_of_commits(log: bytes) -> list[int]:
    """Where the commits of the present log end. Frames of an earlier round have other salts."""
    ends, at = [], HEADER
    while at + FRAME <= len(log) and log[at + 8 : at + 16] == log[16:24]:
        if int.from_bytes(log[at + 4 : at + 8]):
            ends.append(at + FRAME)
        at += FRAME
    return ends


def written(folder: Path, count: int) -> tuple[bytes, bytes]:
    """The two files of a journal that took so many seconds, a commit each, and was not closed."""
    recording, file = recorder(), journal_file(folder)
    file.write([recording.session])
    for records in seconds(recording, T0, count):
        file.write(records)
    left = (folder / NAME).read_bytes(), (folder / WAL).read_bytes()
    file.close()
    return left


def seconds_after(folder: Path, main: bytes, log: bytes) -> list[int]:
    """The seconds of a journal that is found like this after a power cut, and goes on."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    (folder / NAME).write_bytes(main)
    (folder / WAL).write_bytes(log)
    assert rows(folder, "PRAGMA integrity_check") == [("ok",)]
    made = rows(folder, "SELECT count(*) FROM sqlite_schema") != [(0,)]
    result = utc_seconds(folder) if made else []
    file = journal_file(folder)
    recording = recorder(T0 + 10_000)
    file.write([recording.session, *recording.take(snapshot(T0 + 10_000, 1))])
    file.close()
    assert utc_seconds(folder) == [*result, T0 + 10_000], "it is not set aside, and goes on"
    return result


@pytest.mark.parametrize("count", [60, 300], ids=["first round of the log", "second round"])
@pytest.mark.parametrize("harm", ["cut off", "garbled", "zeros"])
def test_a_torn_log_loses_only_its_tail(tmp_path: Path, count: int, harm: str) -> None:
    main, log = written(tmp_path / "made", count)
    ends = ends_of_commits(log)
    assert 30 < len(ends) <= count + 3
    draw = random.Random(count)
    places = [draw.randrange(HEADER, ends[-1]) for _ in range(60 if MOST else 8)]
    # And within the last commit, where a power cut does its harm.
    places += [draw.randrange(ends[-2], ends[-1]) for _ in range(60 if MOST else 4)]
    for place in places:
        if harm == "cut off":
            torn = log[:place]
        else:
            length = draw.randrange(1, 2 * FRAME)
            noise = draw.randbytes(length) if harm == "garbled" else bytes(length)
            torn = log[:place] + noise + log[place + length :]
        # What is overwritten by what it was before is not torn.
        pairs = enumerate(zip(log, torn, strict=False))
        same = next((at for at, (was, now) in pairs if was != now), len(torn))
        lost = sum(end > same for end in ends)
        result = seconds_after(tmp_path / "found", main, torn)
        assert result == list(range(T0, T0 + count - lost)), (place, lost)


def test_no_log_at_all_loses_what_was_in_it(tmp_path: Path) -> None:
    main, log = written(tmp_path / "made", 400)
    result = seconds_after(tmp_path / "found", main, b"")
    assert result == list(range(T0, T0 + len(result)))
    assert 400 - len(result) == len(ends_of_commits(log))


def test_emptying_the_log_broken_off(tmp_path: Path) -> None:
    """Any of the pages may have reached the main file, in sectors: the log still has them all."""
    folder = tmp_path / "made"
    before, log = written(folder, 150)
    (folder / NAME).write_bytes(before)
    (folder / WAL).write_bytes(log)
    conn = sqlite3.connect(folder / NAME)
    conn.execute("PRAGMA wal_checkpoint(PASSIVE)")
    after = (folder / NAME).read_bytes()
    conn.close()
    assert before != after
    old = before.ljust(len(after), b"\0")
    sectors = [at for at in range(0, len(after), 512) if old[at : at + 512] != after[at : at + 512]]
    assert len(sectors) > 20
    draw = random.Random(1)
    for _ in range(50 if MOST else 10):
        mixed = bytearray(old)
        for at in draw.sample(sectors, draw.randrange(len(sectors) + 1)):
            mixed[at : at + 512] = after[at : at + 512]
        assert seconds_after(tmp_path / "found", bytes(mixed), log) == list(range(T0, T0 + 150))
