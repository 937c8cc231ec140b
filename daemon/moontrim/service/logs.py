"""The log of the running daemon: to the journal with fields of its own, else to standard error.

Nobody who logs ever waits: lines go into a bounded queue, which a thread empties. Where the reader
of the log stands still or is flooded, lines are dropped and counted. No password gets through (see
`hidden`), and no kind of line comes too often (see `loglimit`)."""

from __future__ import annotations

import logging
import os
import queue
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import TracebackType

from moontrim.clock.system import Clock
from moontrim.formats import UtcFormatter
from moontrim.service import journald
from moontrim.service.hiddenpasswords import redacted
from moontrim.service.loglimit import LogLimit, kind_of
from moontrim.state.snapshot import Snapshot

IDENTIFIER = "moontrim"
STDERR = 2
MOST_WAITING = 1000
FAREWELL_S = 1.0  # for the last lines, if they can be written at all

_PRIORITY = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3}


@dataclass(frozen=True, slots=True)
class Entry:
    """One line or more. fields: for the journal only."""

    level: int
    text: str
    fields: Mapping[str, str] = field(default_factory=dict)


class Log:
    """From `start` to the end of the `with` block.

    about: the latest snapshot, if any; the journal's entries carry the band and tracking of it."""

    def __init__(self, handler: _Handler, level: int) -> None:
        self._handler = handler
        self._root = logging.getLogger()
        self._before = (self._root.handlers[:], self._root.level)
        self._root.handlers[:] = [handler]
        self._root.setLevel(level)
        logging.captureWarnings(True)

    @property
    def about(self) -> Callable[[], Snapshot | None]:
        return self._handler.about

    @about.setter
    def about(self, latest: Callable[[], Snapshot | None]) -> None:
        self._handler.about = latest

    def __enter__(self) -> Log:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        logging.captureWarnings(False)
        self._root.handlers[:], level = self._before
        self._root.setLevel(level)
        self._handler.finish()


def start(
    clock: Clock,
    level: int,
    *,
    descriptor: int = STDERR,
    environment: Mapping[str, str] = os.environ,
    journal_path: str = journald.PATH,
) -> Log:
    """Take over all logging of this process from `level` up. `descriptor` is where lines go,
    journal or not."""
    if journald.is_journal(descriptor, environment):
        write: Write = _ToJournal(journal_path, descriptor)
        plain = logging.Formatter("%(message)s")  # the journal has its own time and level
        return Log(_Handler(clock, plain, write), level)
    return Log(_Handler(clock, UtcFormatter(clock.utc_s), _ToStream(descriptor)), level)


# --- the side of whoever logs ---------------------------------------------------------------------


class _Handler(logging.Handler):
    """Puts the line together and queues it; the time it bears is that of the call."""

    def __init__(self, clock: Clock, formatter: logging.Formatter, write: Write) -> None:
        super().__init__()
        self.setFormatter(formatter)
        self.about: Callable[[], Snapshot | None] = lambda: None
        self._clock = clock
        self._limit = LogLimit()
        self._writer = _Writer(write, lambda text: self._line(logging.WARNING, text))

    def emit(self, record: logging.LogRecord) -> None:
        try:
            now_s = self._clock.monotonic_s()
            self._tell_suppressed(now_s)
            if self._limit.admits(kind_of(record), now_s):
                self._writer.put(Entry(record.levelno, self.format(record), self._fields(record)))
        except Exception as error:
            self._writer.put(self._line(logging.ERROR, f"log call {record.msg!r}: {error!r}"))

    def finish(self) -> None:
        """Write what waits, but never wait long for it."""
        self._tell_suppressed(float("inf"))
        self._writer.finish()

    def _tell_suppressed(self, now_s: float) -> None:
        for kind, suppressed in self._limit.expired(now_s):
            self._writer.put(self._line(logging.WARNING, f"{suppressed} more suppressed: {kind}"))

    def _line(self, level: int, text: str) -> Entry:
        record = logging.LogRecord(__name__, level, __file__, 0, "%s", (text,), None)
        return Entry(level, self.format(record), {})

    def _fields(self, record: logging.LogRecord) -> dict[str, str]:
        fields = {
            "CODE_FILE": record.pathname,
            "CODE_LINE": str(record.lineno),
            "CODE_FUNC": record.funcName or "",
            "MOONTRIM_LOGGER": record.name,
        }
        if (seen := self.about()) is not None:
            fields |= {"MOONTRIM_BAND": seen.band, "MOONTRIM_TRACKING": str(seen.tracking)}
        return fields


# --- the thread that writes -----------------------------------------------------------------------


class _Writer:
    """Writes entries one after the other, however long that takes."""

    def __init__(self, write: Write, line: Callable[[str], Entry]) -> None:
        self._write = write
        self._line = line
        self._waiting: queue.Queue[Entry | None] = queue.Queue(MOST_WAITING)
        self._dropped = 0  # changed only by those who log
        self._told = 0  # changed only by the thread
        # A daemon thread: stuck in a full pipe, it must not keep the process from ending.
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)
        self._thread.start()

    def put(self, entry: Entry) -> None:
        try:
            self._waiting.put_nowait(entry)
        except queue.Full:
            self._dropped += 1

    def finish(self) -> None:
        try:
            self._waiting.put(None, timeout=FAREWELL_S)
        except queue.Full:
            return
        self._thread.join(FAREWELL_S)

    def _run(self) -> None:
        while (entry := self._waiting.get()) is not None:
            self._write(entry)
            dropped = self._dropped - self._told
            if dropped and self._waiting.qsize() < MOST_WAITING // 2:
                self._told += dropped
                self._write(self._line(f"{dropped} log lines dropped: they could not be written"))


Write = Callable[[Entry], None]


class _ToStream:
    """Straight to the descriptor, past Python's buffer, whose lock a thread stuck in it would hold
    at exit. prefixed: with the level as sd-daemon(3) has it."""

    def __init__(self, descriptor: int, *, prefixed: bool = False) -> None:
        self._descriptor = descriptor
        self._prefixed = prefixed

    def __call__(self, entry: Entry) -> None:
        text = redacted(entry.text)
        if self._prefixed:
            prefix = f"<{_priority(entry.level)}>"
            text = "\n".join(prefix + line for line in text.splitlines())
        data = f"{text}\n".encode(errors="replace")
        try:
            while data:
                data = data[os.write(self._descriptor, data) :]
        except OSError:
            return  # nobody reads it any more


class _ToJournal:
    """By the journal's own protocol; where that fails, by the stream it reads as well."""

    def __init__(self, path: str, descriptor: int) -> None:
        self._path = path
        self._stream = _ToStream(descriptor, prefixed=True)

    def __call__(self, entry: Entry) -> None:
        try:
            journald.send(
                {
                    "MESSAGE": redacted(entry.text),
                    "PRIORITY": str(_priority(entry.level)),
                    "SYSLOG_IDENTIFIER": IDENTIFIER,
                    **entry.fields,
                },
                self._path,
            )
        except OSError:
            self._stream(entry)


def _priority(level: int) -> int:
    """Of syslog: 2 critical to 7 debug."""
    return next((number for top, number in _PRIORITY.items() if level <= top), 2)
