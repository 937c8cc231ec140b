"""The one thread that writes: it takes all records that wait and commits them.

Records are written at once, but at most every half second, so that a power cut costs less than a
second and a rehearsal that runs through hours in a minute is written in large batches. While the
disk refuses, the newest hour waits in memory and writing is tried again at growing intervals."""

from __future__ import annotations

import asyncio
import logging
import shutil
import sqlite3
import threading
from collections import deque
from collections.abc import Iterable
from concurrent.futures import Future
from pathlib import Path

from moontrim.clock.system import SystemClock
from moontrim.journal.file import JournalFile
from moontrim.journal.records import Record, Second

log = logging.getLogger(__name__)

# Chosen: records in memory; an hour of seconds, with four steps of dials each.
CAPACITY = 20_000
PAUSE_S = 0.5  # chosen: between commits
HURRY = 500  # chosen: with so many records waiting there is no pause
RETRY_S = (1.0, 2.0, 5.0, 10.0, 30.0)  # chosen: after the first, second ... failure in a row
SILENT_S = 5.0  # chosen: a disk that takes longer over one commit is reported as slow
FAREWELL_S = 2.0  # chosen: how long the end of the daemon waits for a slow disk
FULL_BYTES = 100_000  # with less free space the disk is full, whatever reason SQLite gives

REASONS = {
    sqlite3.SQLITE_FULL: "disk full",
    sqlite3.SQLITE_READONLY: "read-only",
    sqlite3.SQLITE_BUSY: "another program holds it",
}


class Writer:
    """Takes records in the event loop, and writes them in a thread of its own."""

    def __init__(self, folder: Path, file: JournalFile) -> None:
        self._folder = folder
        self._file = file
        self._wall = SystemClock()
        self._change = threading.Condition()
        self._waiting: deque[Record] = deque()
        self._in_hand: deque[Record] = deque()
        self._began_s: float | None = None  # when the commit under way did
        self._flushes: list[Future[None]] = []
        self._stopping = False
        self._reason = ""
        self._failures = 0
        self._lost = 0
        self._done: Future[None] = Future()
        self._thread = threading.Thread(target=self._work, name="journal", daemon=True)

    @property
    def problem(self) -> str:
        """The reason why nothing is written just now, with how much waits; else empty."""
        with self._change:
            reason, began_s = self._reason, self._began_s
            waiting = sum(isinstance(r, Second) for r in (*self._in_hand, *self._waiting))
            lost = self._lost
        if not reason and began_s is not None and self._wall.monotonic_s() - began_s > SILENT_S:
            reason = "the disk is slow"
        if not reason:
            return ""
        return f"journal: {reason}; {waiting} s waiting" + (f", {lost} s lost" if lost else "")

    def start(self) -> None:
        """Starts the thread."""
        self._thread.start()

    def put(self, records: Iterable[Record]) -> None:
        """Queues records for the thread; never waits for the disk."""
        with self._change:
            self._waiting.extend(records)
            self._drop_beyond_capacity()
            self._change.notify()

    async def flush(self) -> None:
        """Waits until all records so far have been written, or refused by the disk."""
        flushed: Future[None] = Future()
        with self._change:
            if not self._thread.is_alive():
                return
            self._flushes.append(flushed)
            self._change.notify()
        await asyncio.wrap_future(flushed)

    async def close(self) -> None:
        """Writes what waits and closes the file; does not wait for a disk that takes too long."""
        with self._change:
            self._stopping = True
            self._change.notify()
        try:
            async with self._wall.timeout(FAREWELL_S):
                await asyncio.shield(asyncio.wrap_future(self._done))
        except TimeoutError:
            log.warning("journal not fully written at exit")
        if problem := self.problem:
            log.warning("at the end, %s", problem)

    # --- the thread -------------------------------------------------------------------------------

    def _work(self) -> None:
        """Runs in the thread: takes what waits, writes it, pauses, until the writer is closed."""
        try:
            while True:
                with self._change:
                    self._change.wait_for(self._something_to_do)
                    self._in_hand, self._waiting = self._waiting, deque()
                    self._began_s = self._wall.monotonic_s()
                    flushes, self._flushes = self._flushes, []
                written = self._attempt()
                self._settle(flushes)
                with self._change:
                    if self._stopping and not (written and self._waiting):
                        self._settle(self._flushes)
                        return
                self._pause(written)
        finally:
            self._file.close()
            self._done.set_result(None)

    def _settle(self, flushes: list[Future[None]]) -> None:
        """Releases those that wait in `flush`."""
        for flushed in flushes:
            if flushed.set_running_or_notify_cancel():
                flushed.set_result(None)

    def _something_to_do(self) -> bool:
        """Is there a reason for the thread to go on?"""
        return bool(self._waiting or self._flushes or self._stopping)

    def _attempt(self) -> bool:
        """Writes the batch in hand; returns whether that went well. After a failure the batch waits
        again. Whatever goes wrong, the daemon goes on without a journal."""
        try:
            if self._in_hand:
                self._file.write(self._in_hand)
            reason = ""
        except Exception as error:
            reason = self._reason_of(error)
        with self._change:
            if reason:
                self._waiting.extendleft(reversed(self._in_hand))
                self._drop_beyond_capacity()
            self._in_hand, self._began_s = deque(), None
            before, self._reason = self._reason, reason
            self._failures = self._failures + 1 if reason else 0
            lost, self._lost = self._lost, self._lost if reason else 0
        if reason and not before:
            log.warning("the journal in %s cannot be written: %s", self._folder, reason)
        if before and not reason:
            log.info("journal writable again; %d s lost", lost)
        return not reason

    def _pause(self, written: bool) -> None:
        """Waits so that more records come together; after a failure, so that the disk recovers."""
        pause_s = PAUSE_S if written else RETRY_S[min(self._failures, len(RETRY_S)) - 1]
        with self._change:
            self._change.wait_for(
                lambda: (
                    bool(self._stopping or self._flushes)
                    or (written and len(self._waiting) >= HURRY)
                ),
                timeout=pause_s,
            )

    def _drop_beyond_capacity(self) -> None:
        """Drops the oldest records beyond the capacity, and counts the seconds among them."""
        while len(self._waiting) > CAPACITY:
            self._lost += isinstance(self._waiting.popleft(), Second)

    def _reason_of(self, error: Exception) -> str:
        """Returns the reason of a failure, as text for the operator."""
        if isinstance(error, OSError):
            return (error.strerror or str(error)).lower()
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        return REASONS.get(code) or self._no_room() or str(error) or type(error).__name__

    def _no_room(self) -> str:
        """Returns `disk full` if it is, else an empty text."""
        try:
            full = shutil.disk_usage(self._folder).free < FULL_BYTES
        except OSError:
            return ""
        return "disk full" if full else ""
