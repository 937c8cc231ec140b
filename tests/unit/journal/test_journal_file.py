"""The file of a journal: what is in it, what is set aside, who may read it, how large it gets."""

import os
import sqlite3
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from moontrim.errors import InputError
from moontrim.journal.opening import OtherWriterError
from moontrim.journal.readonly import open_journal, sessions
from moontrim.journal.recorder import Recorder
from moontrim.journal.records import BudgetEntry, Record
from moontrim.journal.schema import NAME, VERSION
from moontrim.keying.sequence import Phase
from moontrim.session.commands import NudgeSked
from moontrim.state.snapshot import Tracking
from moontrim.tracking.commandlog import CommandNote
from support.effort import MOST
from support.journals import (
    OFFSET_HZ,
    SKED_HZ,
    T0,
    dial,
    journal_file,
    recorder,
    rows,
    seconds,
    snapshot,
    utc_seconds,
)
from support.moontrim_process import ENVIRONMENT


def write(folder: Path, batch: list[Record]) -> None:
    file = journal_file(folder)
    try:
        file.write(batch)
    finally:
        file.close()


def some_seconds(count: int, first: int = T0, of: Recorder | None = None) -> list[Record]:
    return [record for part in seconds(of or recorder(first), first, count) for record in part]


def test_what_is_written_is_read_in_hertz_and_degrees(tmp_path: Path) -> None:
    recording = recorder()
    batch: list[Record] = [recording.session, *some_seconds(100, of=recording)]
    batch += recording.take(snapshot(T0 + 100, 101, rx=None, moon=None, transmitting=None))
    batch += [BudgetEntry(recording.session, T0 + 60.0, 1.5, 0.7, "clock", "Synchronise it.", "{}")]
    write(tmp_path, [*batch, *recording.end(T0 + 101.0)])
    with_names = open_journal(tmp_path / NAME)
    try:
        (session,) = sessions(with_names)
        assert (session.id, session.began_utc_s, session.ended_utc_s) == (1, T0, T0 + 101.0)
        assert (session.version, session.station) == ("0.0", {"home": {}})
        result = with_names.execute("SELECT * FROM seconds ORDER BY utc_s").fetchall()
        texts = {
            kind: dict(with_names.execute("SELECT code, text FROM names WHERE kind = ?", (kind,)))
            for kind in ("tracking", "keying")
        }
        budget = with_names.execute("SELECT * FROM budgets").fetchone()
        context = with_names.execute("SELECT * FROM contexts").fetchone()
    finally:
        with_names.close()
    assert texts["tracking"] == dict(enumerate(Tracking))
    assert texts["keying"] == dict(enumerate(Phase))
    assert len(result) == 101
    for row in result[:100]:
        at_utc_s = row["at_utc_s"]
        assert at_utc_s == pytest.approx(row["utc_s"] - 0.299, abs=1e-6)
        for which, sense in (("rx", 1), ("tx", -1)):
            true = dial(at_utc_s, sense)
            # Kept to 1e-4 Hz; the instant, to a microsecond, moves the ideal by less than that.
            assert row[f"{which}_ideal_hz"] == pytest.approx(true.ideal_dial_hz, abs=6e-5)
            assert row[f"{which}_correction_hz"] == pytest.approx(true.correction_hz, abs=6e-5)
            assert row[f"{which}_dial_hz"] == true.dial_hz
            assert row[f"{which}_residual_hz"] == pytest.approx(true.residual_hz, abs=6e-5)
        assert row["elevation_deg"] == pytest.approx(40.0 - (row["utc_s"] - T0) / 1e4, abs=6e-4)
        assert row["transmitting"] == (row["utc_s"] % 120 < 60)
        assert texts["tracking"][row["tracking"]] == "on frequency"
        assert row["clock_bound_ms"] == 4.0
        assert row["context_id"] == context["id"]
    assert result[5]["lateness_ms"] == 1
    for name in ("rx_ideal_hz", "rx_residual_hz", "elevation_deg", "transmitting"):
        assert result[100][name] is None
    assert (context["band"], context["sked_hz"]) == ("10 GHz", SKED_HZ)
    assert tuple(budget)[:5] == (1, T0 + 60.0, 1.5, 0.7, "clock")
    assert result[0]["rx_dial_hz"] == round(SKED_HZ + 20_000 - OFFSET_HZ)


def test_only_the_owner_may_read_it(tmp_path: Path) -> None:
    (tmp_path / NAME).touch(0o644)
    file = journal_file(tmp_path)
    file.write(some_seconds(3))
    try:
        result = {path.name: path.stat().st_mode & 0o777 for path in tmp_path.iterdir()}
    finally:
        file.close()
    assert set(result.values()) == {0o600}, result
    assert NAME + "-wal" in result


def test_every_commit_is_synced(tmp_path: Path) -> None:
    """`synchronous` 2 is FULL: in write-ahead mode the log is synced at each commit
    (sqlite.org/pragma.html)."""
    file = journal_file(tmp_path)
    file.write(some_seconds(1))
    conn: Any = file._conn
    assert conn.execute("PRAGMA synchronous").fetchone() == (2,)
    assert conn.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    file.close()


@pytest.mark.parametrize("break_at", ["before the commit", "after the commit"])
def test_a_batch_written_twice_is_there_once(
    tmp_path: Path, break_at: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody can tell whether a commit that failed did reach the disk."""
    recording = recorder()
    batch: list[Record] = [recording.session, *some_seconds(3, of=recording)]
    batch += recording.take(snapshot(T0 + 3, 4, tracking=Tracking.NO_CONTACT))
    batch += recording.commands(
        [CommandNote(T0 + 3.0, "phone", str(NudgeSked("phone", 5)), "done")]
    )
    file = journal_file(tmp_path)
    file.write([recording.session])

    def refuse(*_: object) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patch:
        if break_at == "before the commit":
            patch.setattr(file, "_put", refuse)
        else:
            patch.setattr("moontrim.journal.file.drop_oldest", refuse)
        for _ in range(2):
            with pytest.raises(OSError):
                file.write(batch)
    file.write(batch)
    file.write([*recording.take(snapshot(T0 + 4, 5)), *recording.end(T0 + 5.0)])
    file.close()
    counts = {
        table: rows(tmp_path, f"SELECT count(*) FROM {table}")[0][0]
        for table in ("sessions", "contexts", "seconds", "commands", "faults")
    }
    assert counts == {"sessions": 1, "contexts": 1, "seconds": 5, "commands": 1, "faults": 1}
    assert rows(tmp_path, "SELECT ended_utc_s FROM sessions") == [(T0 + 5.0,)]
    assert rows(tmp_path, "SELECT to_utc_s FROM faults") == [(T0 + 4 - 0.299,)]


def test_a_killed_session_is_ended_where_it_is_known_to_have_been(tmp_path: Path) -> None:
    recording = recorder()
    batch = some_seconds(10, of=recording)
    write(tmp_path, [*batch, *recording.take(snapshot(T0 + 10, 11, tracking=Tracking.NO_CONTACT))])
    write(tmp_path, [recorder(T0 + 20).session])  # killed before its first second
    write(tmp_path, some_seconds(2, T0 + 30))
    result = rows(tmp_path, "SELECT id, began_utc_s, ended_utc_s FROM sessions")
    assert result == [(1, T0, T0 + 11), (2, T0 + 20, T0 + 20), (3, T0 + 30, None)]
    assert rows(tmp_path, "SELECT to_utc_s FROM faults") == [(T0 + 11,)]


def test_codes_of_an_older_version_keep_their_meaning(tmp_path: Path) -> None:
    write(tmp_path, some_seconds(1))
    conn = sqlite3.connect(tmp_path / NAME)
    conn.execute("UPDATE names SET text = 'adrift' WHERE text = 'on frequency'")
    conn.commit()
    conn.close()
    write(tmp_path, some_seconds(1, T0 + 10))
    query = "SELECT utc_s, text FROM seconds JOIN names ON code = tracking AND kind = 'tracking'"
    assert rows(tmp_path, query) == [(T0, "adrift"), (T0 + 10, "on frequency")]


def garbled(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[4096:] = os.urandom(len(data) - 4096)
    path.write_bytes(data)


def newer(path: Path) -> None:
    set_version(path, VERSION + 1)


def older(path: Path) -> None:
    set_version(path, VERSION - 1)


def set_version(path: Path, version: int) -> None:
    conn = sqlite3.connect(path)
    conn.execute(f"PRAGMA user_version = {version}")
    conn.close()


def another_program(path: Path) -> None:
    path.unlink()
    conn = sqlite3.connect(path)
    conn.execute("CREATE TABLE other (x)")
    conn.commit()
    conn.close()


@pytest.mark.parametrize(
    "spoil",
    [
        garbled,
        newer,
        older,
        another_program,
        lambda path: path.write_bytes(b"no database at all, " * 400),
    ],
)
def test_an_unusable_file_is_set_aside_and_kept(
    tmp_path: Path, spoil: Any, caplog: pytest.LogCaptureFixture
) -> None:
    write(tmp_path, some_seconds(500))
    spoil(tmp_path / NAME)
    content = (tmp_path / NAME).read_bytes()
    for n in (1, 2):
        write(tmp_path, some_seconds(5, T0 + n * 1000))
    asides = [path for path in tmp_path.iterdir() if ".unusable-" in path.name]
    assert [path.name for path in asides] == [f"{NAME}.unusable-20261118T110640Z"]
    assert asides[0].read_bytes() == content
    assert len(utc_seconds(tmp_path)) == 10
    assert caplog.text.count("starting a new one") == 1


def test_two_set_aside_in_one_second_are_both_kept(tmp_path: Path) -> None:
    for _ in range(2):
        (tmp_path / NAME).write_bytes(b"nothing of ours" * 100)
        write(tmp_path, some_seconds(1))
    assert sum(".unusable-" in path.name for path in tmp_path.iterdir()) == 2


def test_damage_found_while_writing(tmp_path: Path) -> None:
    """The next try begins a fresh file, and the session goes on in it."""
    recording = recorder()
    file = journal_file(tmp_path)
    file.write([recording.session, *some_seconds(3000, of=recording)])
    conn: Any = file._conn
    conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    garbled(tmp_path / NAME)
    conn.execute("PRAGMA cache_size = 0")
    conn.execute("PRAGMA shrink_memory")
    more = recording.take(snapshot(T0 + 5000, 5000))
    with pytest.raises(sqlite3.DatabaseError):
        for _ in range(10):
            file.write(more)
    file.write(more)
    file.close()
    assert utc_seconds(tmp_path) == [T0 + 5000]
    assert rows(tmp_path, "SELECT id, began_utc_s FROM sessions") == [(1, T0)]


def test_a_file_taken_away_is_begun_anew(tmp_path: Path) -> None:
    recording = recorder()
    file = journal_file(tmp_path)
    file.write([recording.session, *some_seconds(3, of=recording)])
    (tmp_path / NAME).rename(tmp_path / "elsewhere")
    for ending in ("-wal", "-shm"):
        (tmp_path / (NAME + ending)).unlink()
    file.write(recording.take(snapshot(T0 + 3, 4)))
    file.close()
    assert utc_seconds(tmp_path) == [T0 + 3]
    assert len(rows(tmp_path, "SELECT * FROM contexts")) == 1


def test_only_one_writes(tmp_path: Path) -> None:
    first, second = journal_file(tmp_path), journal_file(tmp_path)
    first.write(some_seconds(1))
    with pytest.raises(OtherWriterError, match="another moontrim"):
        second.write(some_seconds(1))
    first.close()
    second.write(some_seconds(1, T0 + 5))
    second.close()
    assert utc_seconds(tmp_path) == [T0, T0 + 5]


# --- readers --------------------------------------------------------------------------------------


def test_readers_while_it_is_written(tmp_path: Path) -> None:
    recording = recorder()
    file = journal_file(tmp_path)
    file.write([recording.session, *some_seconds(10, of=recording)])
    reader = open_journal(tmp_path / NAME)
    try:
        assert reader.execute("SELECT count(*) FROM seconds").fetchone()[0] == 10
        file.write(recording.take(snapshot(T0 + 10, 11)))
        assert reader.execute("SELECT count(*) FROM seconds").fetchone()[0] == 11
        assert sessions(reader)[0].ended_utc_s is None
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            reader.execute("DELETE FROM sessions")
    finally:
        reader.close()
        file.close()


READER = """
import os, sys
from pathlib import Path
from moontrim.errors import InputError
from moontrim.journal.readonly import open_journal
os.setgroups([])
os.setgid(65534)
os.setuid(65534)
try:
    conn = open_journal(Path(sys.argv[1]))
except InputError as error:
    print(error)
else:
    print(conn.execute("SELECT count(*) FROM seconds").fetchone()[0])
"""


def read_by_nobody(path: Path) -> str:
    done = subprocess.run(
        [sys.executable, "-c", READER, str(path)],
        env=ENVIRONMENT,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may become someone else")
def test_read_where_one_may_not_write() -> None:
    with TemporaryDirectory() as name:
        folder = Path(name)
        write(folder, some_seconds(7))
        assert "cannot read" in read_by_nobody(folder / NAME), "the folder is the owner's"
        folder.chmod(0o755)
        assert "cannot read" in read_by_nobody(folder / NAME), "so is the file"
        (folder / NAME).chmod(0o644)
        assert read_by_nobody(folder / NAME) == "7"


def test_refused_by_name(tmp_path: Path) -> None:
    path = tmp_path / "a b?c#%20.sqlite3"
    with pytest.raises(InputError, match="not found"):
        open_journal(path)
    with pytest.raises(InputError, match="not found"):
        open_journal(tmp_path)
    path.write_bytes(b"text, and not little of it" * 100)
    with pytest.raises(InputError, match="not a database"):
        open_journal(path)
    path.write_bytes(b"")
    with pytest.raises(InputError, match="is not a journal of moontrim"):
        open_journal(path)
    write(tmp_path, some_seconds(3))
    (tmp_path / NAME).rename(path)
    open_journal(path).close()
    for other_version in (newer, older):
        other_version(path)
        with pytest.raises(InputError, match=f"this moontrim reads version {VERSION}"):
            open_journal(path)


# --- size -----------------------------------------------------------------------------------------


def test_six_hours_are_small(tmp_path: Path) -> None:
    """Under 15 MB; printed for a person to see."""
    write(tmp_path, some_seconds(21_600))
    size = (tmp_path / NAME).stat().st_size
    print(f"six hours: {size / 1e6:.2f} MB, {size / 21_600:.0f} bytes a second")
    assert len(utc_seconds(tmp_path)) == 21_600
    assert size < 3e6


def total_bytes(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.iterdir() if "-shm" not in path.name)


def test_it_stays_within_its_size_and_the_oldest_goes_first(tmp_path: Path) -> None:
    limit, largest = (8_000_000, 0) if MOST else (3_000_000, 0)
    file, duration_s, sessions_in_all = journal_file(tmp_path, limit), 12_000 if MOST else 3_000, 8
    for n in range(sessions_in_all):
        batch = some_seconds(duration_s, T0 + n * 100_000)
        for start in range(0, len(batch), 701):
            file.write(batch[start : start + 701])
            largest = max(largest, total_bytes(tmp_path))
        result = [row[0] for row in rows(tmp_path, "SELECT id FROM sessions")]
        assert result == list(range(result[0], n + 2)), "whole sessions, the oldest first"
    print(f"limit {limit}, largest {largest}, sessions kept {len(result)}")
    assert largest <= limit
    assert 2 <= len(result) < sessions_in_all
    for id_ in result:
        assert len(utc_seconds(tmp_path, f"session_id = {id_}")) == duration_s
    assert {row[0] for row in rows(tmp_path, "SELECT session_id FROM contexts")} == set(result)
    file.close()
    assert rows(tmp_path, "PRAGMA integrity_check") == [("ok",)]


def test_one_long_session_loses_its_oldest_hours(tmp_path: Path) -> None:
    limit, duration_s = (8_000_000, 150_000) if MOST else (3_000_000, 20_000)
    recording, file, largest = recorder(), journal_file(tmp_path, limit), 0
    batch: list[Record] = []
    for n in range(duration_s):
        # The sked moves every ten minutes, so that there are contexts to be dropped too.
        batch += recording.take(snapshot(T0 + n, n + 1, sked_hz=SKED_HZ + n // 600))
        if n % 40 == 0:
            batch += recording.commands(
                [CommandNote(T0 + n, "dial", "sked 10 368 100 000 Hz", "done")]
            )
        if len(batch) >= 1500:
            file.write(batch)
            batch, largest = [], max(largest, total_bytes(tmp_path))
    file.write(batch)
    file.close()
    result = utc_seconds(tmp_path)
    print(f"limit {limit}, largest {largest}, seconds kept {len(result)} of {duration_s}")
    assert result == list(range(result[0], T0 + duration_s))
    assert 7_000 < len(result) < duration_s
    assert largest <= limit
    (oldest,) = rows(tmp_path, "SELECT min(at_utc_s) FROM commands")
    assert result[0] <= oldest[0] <= result[0] + 40
    contexts = "SELECT {} FROM seconds LEFT JOIN contexts ON contexts.id = context_id"
    assert rows(tmp_path, contexts.format("count(*) - count(contexts.id)")) == [(0,)]
    assert rows(tmp_path, contexts.format("count(DISTINCT contexts.id)")) == rows(
        tmp_path, "SELECT count(*) FROM contexts"
    )


def test_more_commands_than_seconds(tmp_path: Path) -> None:
    """A flood fills the file in an hour; the seconds with it are shortened, not lost."""
    recording, file = recorder(), journal_file(tmp_path, 3_000_000)
    for n, records in enumerate(seconds(recording, T0, 200)):
        notes = [CommandNote(T0 + n, "program", "x" * 400, "refused")] * 50
        file.write([*records, *recording.commands(notes)])
        assert total_bytes(tmp_path) <= 3_000_000
    file.close()
    result = utc_seconds(tmp_path)
    assert result == list(range(result[0], T0 + 200)) and len(result) >= 15
