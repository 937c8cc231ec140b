"""The report of the running session, made for the page by a process of its own (see
`reportprocess`), one at a time."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections.abc import Callable
from pathlib import Path

from moontrim.clock.system import Clock
from moontrim.config.settings import DataSettings
from moontrim.errors import BusyError, MoontrimError

REPORT_PATH = "/report"  # on the page's server (see `wire.reportroute`)
LONGEST_S = 90.0  # chosen: a week on a slow machine
ENVIRONMENT = {"OPENBLAS_NUM_THREADS": "1"}  # the daemon needs the other processors


class ReportFailed(MoontrimError):
    """The report could not be made, and why."""


class ReportMaker:
    """Makes reports from one journal.

    data: the tables of the config. utc_s: reads the daemon's clock. real: for the deadline."""

    def __init__(
        self, journal: Path, data: DataSettings, utc_s: Callable[[], float], real: Clock
    ) -> None:
        self._journal = journal
        self._tables = (data.earth_orientation_file, data.ephemeris_file)
        self._utc_s = utc_s
        self._real = real
        self._making = False

    async def make(self) -> bytes:
        """Returns the report as HTML. Raises BusyError while another is being made,
        ReportFailed."""
        if self._making:
            raise BusyError("a report is being made; try again in a moment")
        self._making = True
        try:
            return await self._run()
        except OSError as error:
            raise ReportFailed(f"no report: {error}") from None
        finally:
            self._making = False

    async def _run(self) -> bytes:
        # -P: the folder in which moontrim is started holds no modules for it. A session of its own:
        # the terminal's Ctrl-C is for the daemon.
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-P", "-m", "moontrim.remote.reportprocess"),
            *(str(self._journal), repr(self._utc_s())),
            *("" if table is None else str(table) for table in self._tables),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            env={**os.environ, **ENVIRONMENT},
            start_new_session=True,
        )
        try:
            async with self._real.timeout(LONGEST_S):
                html, problem = await process.communicate()
        except TimeoutError:
            raise ReportFailed(f"no report within {LONGEST_S:.0f} s") from None
        finally:
            if process.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
                await process.wait()
        if process.returncode != 0:
            lines = problem.decode(errors="replace").strip().splitlines()
            raise ReportFailed(lines[-1] if lines else f"no report: exit code {process.returncode}")
        return html
