"""The process that makes the report of the running session, for the page: the last session of a
journal, as HTML on standard output.

A process of its own, since the drawing keeps a processor busy for seconds: in a thread it would
hold up the dials. Its memory is limited, so that a session of weeks does not take the service's."""

from __future__ import annotations

import os
import resource
import sys
from contextlib import suppress
from pathlib import Path

from moontrim.errors import MoontrimError
from moontrim.journal.readonly import open_journal
from moontrim.path import Ephemeris
from moontrim.report.page import page
from moontrim.report.recorded import read_session
from moontrim.report.report import report_of

LESS_URGENT = 10  # of 19; chosen: the daemon comes first
# Measured: 182 MB, of which 114 are resident, for 12 hours; 0.7 more for each hour. Chosen: a week.
MOST_BYTES = 320 << 20
TOO_LONG = "no report: the session is too long for the page; use moontrim report"


def last_session(
    journal: Path, now_utc_s: float, orientation: Path | None, kernel: Path | None
) -> str:
    """Returns the report of the last session as HTML. orientation, kernel: the tables, if not those
    of the packages. Raises MoontrimError."""
    connection = open_journal(journal)
    try:
        recorded = read_session(connection, None)
    finally:
        connection.close()
    return page(report_of(recorded, Ephemeris.load(orientation, kernel), now_utc_s))


def main(journal: str, now_utc_s: str, *tables: str) -> int:
    """Makes the report; tables: as for `last_session`, empty for those of the packages."""
    with suppress(OSError, ValueError):  # a service may not
        resource.setrlimit(resource.RLIMIT_DATA, (MOST_BYTES, MOST_BYTES))
        os.nice(LESS_URGENT)
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("500")  # before the daemon, if memory runs out
    orientation, kernel = (Path(table) if table else None for table in tables)
    try:
        html = last_session(Path(journal), float(now_utc_s), orientation, kernel)
    except MoontrimError as error:
        print(error, file=sys.stderr)
        return 1
    except MemoryError:
        print(TOO_LONG, file=sys.stderr)
        return 1
    sys.stdout.buffer.write(html.encode())
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
