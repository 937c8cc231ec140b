"""What tests of the journal share: snapshots of a dial that follows the Moon, written as fast as
possible, and how to read back what was written."""

from __future__ import annotations

import math
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from moontrim.clock.virtual import VirtualClock
from moontrim.journal.file import JournalFile
from moontrim.journal.recorder import Recorder
from moontrim.journal.records import Choice, Record
from moontrim.journal.schema import NAME
from moontrim.journal.writer import Writer
from moontrim.keying.view import KeyingView
from moontrim.rig.view import LinkState, LinkView
from moontrim.state.snapshot import DialView, MoonView, Snapshot, Tracking

T0 = 1_795_000_000
SKED_HZ = 10_368_100_000.0
OFFSET_HZ = 10_224_000_000


def dial(utc_s: float, sense: int = 1) -> DialView:
    """Returns a dial in the middle of its step, on a made-up Moon that passes in twelve hours."""
    phase = math.pi * (utc_s - T0) / 43200.0
    correction_hz = sense * 20_000.0 * math.cos(phase)
    ideal_hz = SKED_HZ + correction_hz - OFFSET_HZ
    return DialView(
        on_air_hz=SKED_HZ + correction_hz,
        correction_hz=correction_hz,
        rate_hz_per_s=-sense * 20_000.0 * math.pi / 43200.0 * math.sin(phase),
        ideal_dial_hz=ideal_hz,
        dial_hz=round(ideal_hz),
        residual_hz=round(ideal_hz) - ideal_hz,
    )


def snapshot(second: int, ticks: int, late_s: float = 0.001, **changes: Any) -> Snapshot:
    """Returns what the tracker publishes in this second when all is well."""
    utc_s = second - 0.3 + late_s
    view = Snapshot(
        utc_s=utc_s,
        tracking=Tracking.ON_FREQUENCY,
        reason="",
        band="10 GHz",
        sked_hz=SKED_HZ,
        agreement="halves",
        partner="KP20NF11AA",
        rx_trim_hz=0.0,
        tx_trim_hz=0.0,
        correcting=True,
        transmitting=second % 120 < 60,
        moon=MoonView(180.0 + (second - T0) / 500.0, 40.0 - (second - T0) / 1e4, 20.0),
        rx=dial(utc_s),
        tx=dial(utc_s, -1),
        link=LinkView(LinkState.READY, ""),
        ticks=ticks,
        missed_seconds=0,
        faults=(),
        last_change=None,
        keying=KeyingView(),
        tx_allowed=True,
        outlook=None,
    )
    return view._replace(**changes)


def recorder(began_utc_s: float = T0) -> Recorder:
    def choice(view: Snapshot) -> Choice:
        return Choice(
            *(view.band, view.sked_hz, view.sked_hz, view.agreement, view.partner, 0, 0, True),
            *(view.sked, view.over_s),
        )

    return Recorder(began_utc_s, "0.0", '{"home": {}}', choice)


def seconds(of: Recorder, first: int, count: int) -> Iterator[list[Record]]:
    """Yields the records of so many seconds, one after the other."""
    for n in range(count):
        yield of.take(snapshot(first + n, ticks=n + 1), 0.004)


def journal_file(folder: Path, max_bytes: int = 200_000_000) -> JournalFile:
    return JournalFile(folder, max_bytes, VirtualClock(T0))


def rows(folder: Path, query: str) -> list[tuple[Any, ...]]:
    """Runs a query as any program may; SQLite recovers what a killed writer left."""
    conn = sqlite3.connect(folder / NAME)
    try:
        return conn.execute(query).fetchall()
    finally:
        conn.close()


def utc_seconds(folder: Path, where: str = "1") -> list[int]:
    return [s for (s,) in rows(folder, f"SELECT utc_s FROM seconds WHERE {where} ORDER BY 1")]


def write_until_killed(folder: Path, period_s: float, progress: Path) -> None:
    """Records a second every period and writes which one and at what monotonic instant."""
    known = utc_seconds(folder) if (folder / NAME).exists() else []
    first = max(known, default=T0) + 10
    recording = recorder(first)
    writer = Writer(folder, journal_file(folder))
    writer.start()
    with progress.open("wb", buffering=0) as line:
        line.write(b"ready\n")
        for n, records in enumerate(seconds(recording, first, 10**9)):
            writer.put(records)
            line.write(b"%d %f\n" % (first + n, time.monotonic()))
            time.sleep(period_s)
