"""The log of the running daemon: to the systemd journal with fields, else to standard error.

    logging call --> _Handler (format, limit) --> bounded queue | thread --> journal or stderr

A logging call never waits: lines go into a bounded queue, which a thread empties. If the reader of
the log stops or is flooded, lines are dropped and counted. Passwords are removed (see
`hiddenpasswords`), and no kind of line comes too often (see `loglimit`)."""

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
MOST_WAITING = 1000  # chosen: lines in the queue, some hundred kB
FAREWELL_S = 1.0  # chosen: how long the end of the daemon waits for the last lines

_PRIORITY = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3}


@dataclass(frozen=True, slots=True)
class Entry:
    """One log entry of one line or more. fields: for the journal only."""

    level: int
    text: str
    fields: Mapping[str, str] = field(default_factory=dict)


class Log:
    """All logging of this process, from `start` to the end of the `with` block."""

    def __init__(self, handler: _Handler, level: int) -> None:
        self._handler = handler
        self._root = logging.getLogger()
        self._before = (self._root.handlers[:], self._root.level)
        self._root.handlers[:] = [handler]
        self._root.setLevel(level)
        logging.captureWarnings(True)

    @property
    def about(self) -> Callable[[], Snapshot | None]:
        """Returns the latest snapshot, if any; entries of the journal get its band and tracking
        state as fields."""
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
    """Takes over all logging of this process from `level` up. descriptor: where lines go, whether
    that is the journal or not."""
    if journald.is_journal(descriptor, environment):
        write: Write = _ToJournal(journal_path, descriptor)
        plain = logging.Formatter("%(message)s")  # the journal has its own time and level
        return Log(_Handler(clock, plain, write), level)
    return Log(_Handler(clock, UtcFormatter(clock.utc_s), _ToStream(descriptor)), level)


# --- in the thread of the logging call ------------------------------------------------------------


class _Handler(logging.Handler):
    """Formats entries and queues them; their time is that of the logging call."""

    def __init__(self, clock: Clock, formatter: logging.Formatter, write: Write) -> None:
        super().__init__()
        self.setFormatter(formatter)
        self.about: Callable[[], Snapshot | None] = lambda: None
        self._clock = clock
        self._limit = LogLimit()
        self._writer = _Writer(write, lambda text: self._line(logging.WARNING, text))

    def emit(self, record: logging.LogRecord) -> None:
        """Queues a record, unless its kind comes too often. Never raises."""
        try:
            now_s = self._clock.monotonic_s()
            self._tell_suppressed(now_s)
            if self._limit.admits(kind_of(record), now_s):
                self._writer.put(Entry(record.levelno, self.format(record), self._fields(record)))
        except Exception as error:
            self._writer.put(self._line(logging.ERROR, f"log call {record.msg!r}: {error!r}"))

    def finish(self) -> None:
        """Writes what waits; gives up after FAREWELL_S."""
        self._tell_suppressed(float("inf"))
        self._writer.finish()

    def _tell_suppressed(self, now_s: float) -> None:
        """Queues a line for each kind of which lines were suppressed in a window that is over."""
        for kind, suppressed in self._limit.expired(now_s):
            self._writer.put(self._line(logging.WARNING, f"{suppressed} more suppressed: {kind}"))

    def _line(self, level: int, text: str) -> Entry:
        """Returns an entry of this module."""
        record = logging.LogRecord(__name__, level, __file__, 0, "%s", (text,), None)
        return Entry(level, self.format(record), {})

    def _fields(self, record: logging.LogRecord) -> dict[str, str]:
        """Returns the fields for the journal."""
        fields = {
            "CODE_FILE": record.pathname,
            "CODE_LINE": str(record.lineno),
            "CODE_FUNC": record.funcName or "",
            "MOONTRIM_LOGGER": record.name,
        }
        if (snapshot := self.about()) is not None:
            fields |= {"MOONTRIM_BAND": snapshot.band, "MOONTRIM_TRACKING": str(snapshot.tracking)}
        return fields


# --- the thread that writes -----------------------------------------------------------------------


class _Writer:
    """Writes entries one after the other in a thread, however long that takes."""

    def __init__(self, write: Write, line: Callable[[str], Entry]) -> None:
        self._write = write
        self._line = line
        self._waiting: queue.Queue[Entry | None] = queue.Queue(MOST_WAITING)
        self._dropped = 0  # changed only by the logging calls
        self._reported = 0  # changed only by the thread
        # A daemon thread: stuck in a full pipe, it must not keep the process from ending.
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)
        self._thread.start()

    def put(self, entry: Entry) -> None:
        """Queues an entry; drops and counts it if the queue is full."""
        try:
            self._waiting.put_nowait(entry)
        except queue.Full:
            self._dropped += 1

    def finish(self) -> None:
        """Ends the thread after the last entry, or gives up waiting for it."""
        try:
            self._waiting.put(None, timeout=FAREWELL_S)
        except queue.Full:
            return
        self._thread.join(FAREWELL_S)

    def _run(self) -> None:
        """Runs in the thread until None is queued."""
        while (entry := self._waiting.get()) is not None:
            self._write(entry)
            dropped = self._dropped - self._reported
            if dropped and self._waiting.qsize() < MOST_WAITING // 2:
                self._reported += dropped
                self._write(self._line(f"{dropped} log lines dropped: they could not be written"))


Write = Callable[[Entry], None]


class _ToStream:
    """Writes entries to a descriptor, not through Python's buffer, whose lock a blocked thread
    would hold at exit. prefixed: with the level in front of each line, as in sd-daemon(3)."""

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
            return  # the reader has gone


class _ToJournal:
    """Sends entries by the journal's native protocol; if that fails, writes to its stream."""

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
    """Returns the priority of syslog: 2 critical to 7 debug."""
    return next((number for top, number in _PRIORITY.items() if level <= top), 2)
