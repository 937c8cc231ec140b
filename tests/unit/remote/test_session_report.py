"""The report of a running session by a process of its own."""

import asyncio
import sys
from pathlib import Path

import pytest

from moontrim.clock.system import SystemClock
from moontrim.config.settings import DataSettings
from moontrim.errors import BusyError
from moontrim.path import Ephemeris
from moontrim.remote import reportprocess, sessionreport
from moontrim.remote.sessionreport import ReportFailed, ReportMaker
from support.recorded import T0, Made, make_journal


def reporter(journal: Path, now_utc_s: float = T0 + 60.0) -> ReportMaker:
    return ReportMaker(journal, DataSettings(), lambda: now_utc_s, SystemClock())


def test_it_is_of_the_last_session_and_one_is_made_at_a_time(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    journal = make_journal(
        tmp_path, ephemeris, Made(60), Made(60, start_utc_s=T0 + 3600, ended=False)
    )

    async def main() -> None:
        reports = reporter(journal, T0 + 3661.0)
        first = asyncio.create_task(reports.make())
        await asyncio.sleep(0)
        with pytest.raises(BusyError):
            await reports.make()
        html = (await first).decode()
        assert html.startswith("<!") and "2026-11-18T16:12" in html.replace(" ", "T")
        assert "still running" in html

    asyncio.run(main())


def test_why_there_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def main() -> None:
        with pytest.raises(ReportFailed, match="not found"):
            await reporter(tmp_path / "journal.sqlite3").make()
        monkeypatch.setattr(sessionreport, "LONGEST_S", 0.01)
        with pytest.raises(ReportFailed, match="no report within"):
            await reporter(tmp_path / "journal.sqlite3").make()
        monkeypatch.setattr(sys, "executable", "/nonexistent")
        reports = reporter(tmp_path)
        for _ in range(2):  # not busy for ever
            with pytest.raises(ReportFailed, match="no report: "):
                await reports.make()

    asyncio.run(main())


def test_too_long_a_session_is_one_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def too_much(*given: object) -> str:
        raise MemoryError

    monkeypatch.setattr(reportprocess, "last_session", too_much)
    for name in ("resource.setrlimit", "os.nice", "pathlib.Path.write_text"):
        monkeypatch.setattr(f"moontrim.remote.reportprocess.{name}".replace("pathlib.", ""), denied)
    assert reportprocess.main("journal", "0.0", "", "") == 1
    assert capsys.readouterr().err == reportprocess.TOO_LONG + "\n"


def denied(*given: object) -> None:
    raise OSError("as a service may find it")
