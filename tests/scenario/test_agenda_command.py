"""`moontrim agenda` as its user meets it: without a daemon on what was saved, and beside a daemon
in a process of its own, which follows what was added."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from moontrim.cli.main import main
from moontrim.config.settings import load_settings
from moontrim.session.agendacommands import SettleEntry
from moontrim.session.offline import change_saved
from moontrim.session.sessionfile import marked, nobody_else, stored_session
from support.moontrim_process import (
    ENVIRONMENT,
    least_config_under_the_moon,
    moontrim,
    until_up,
)
from support.processor import within

SKEDS = """
[remote]
enabled = false
[[skeds]]
name = "echo"
band = "1296 MHz"
sked_hz = 1296_080_000
[[skeds]]
name = "echo two"
band = "1296 MHz"
sked_hz = 1296_090_000
"""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "station.toml"
    path.write_text(f'state_dir = "{tmp_path}/state"\n{least_config_under_the_moon()}{SKEDS}')
    return path


def iso(ahead_s: float) -> str:
    """An instant from now, to the second."""
    return datetime.fromtimestamp(round(time.time() + ahead_s), UTC).isoformat()


def run(config: Path, *arguments: str) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", "moontrim", "agenda", *arguments, "--config", str(config)],
        capture_output=True,
        stdin=subprocess.DEVNULL,
        text=True,
        env=ENVIRONMENT,
        timeout=60,
    )
    assert "Traceback" not in done.stderr
    return done.returncode, done.stdout + done.stderr


def said(
    capsys: pytest.CaptureFixture[str], config: Path, *arguments: str, code: int = 0
) -> tuple[str, str]:
    """What it prints on standard output and standard error, in this process."""
    capsys.readouterr()
    assert main(["agenda", *arguments, "--config", str(config)]) == code, capsys.readouterr()
    printed = capsys.readouterr()
    return printed.out, printed.err


def listed(capsys: pytest.CaptureFixture[str], config: Path) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = json.loads(said(capsys, config, "list", "--json")[0])
    return rows


def test_added_listed_and_removed(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "agenda empty" in said(capsys, config, "list")[0]
    assert listed(capsys, config) == []
    out, _ = said(capsys, config, "add", "Echo", iso(600), iso(1200))
    assert out.startswith("add to agenda: Echo, ") and "done" in out
    folder = config.parent / "state"
    assert marked(folder), "the first start is not taken for one after a kill"
    said(capsys, config, "add", "echo two", iso(60), iso(600))
    first, second = listed(capsys, config)
    assert (first["sked"], first["band"], first["outcome"]) == ("echo two", "1296 MHz", "")
    assert second["sked"] == "echo" and first["end"] == second["start"]
    lines = said(capsys, config, "list")[0].splitlines()
    assert len(lines) == 2 and lines[0].startswith(f"{first['id']}  {first['start']}  ")
    said(capsys, config, "remove", first["id"], second["id"])
    assert listed(capsys, config) == []


def test_the_same_again_is_no_second_entry(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    span = iso(600), iso(1200)
    said(capsys, config, "add", "echo", *span)
    assert said(capsys, config, "add", "ECHO", *span)[0].startswith("in the agenda already: ")
    assert len(listed(capsys, config)) == 1


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (("add", "west", 60.0, 120.0), "sked: invalid value 'west'; expected echo, echo two"),
        (("add", "echo", 900.0, 1000.0), ": overlaps echo two, "),
        (("add", "echo", 300.0, 200.0), "end: invalid value "),
        (("add", "echo", -300.0, -200.0), ": past"),
        (("add", "echo", 36 * 3600.0, 37 * 3600 + 86400 * 400.0), "at most 24 hours later"),
        (("add", "echo", 13 * 3600.0, 13 * 3600 + 60.0), "Moon too low at home throughout"),
        (("add", "echo", 9e8, 9e8 + 60), "outside the tables"),
        (("add", "echo", "soon", 60.0), "START: invalid value 'soon'; expected an instant"),
        (("add", "echo", "1960-01-01", "1960-01-02"), "start: invalid value "),
        (("add", "echo", 60.0, "9999-12-31"), "end: invalid value "),
        (("remove", "nothing"), "id: invalid value 'nothing'; expected the id of an entry"),
        (("import", "missing.ics"), "FILE: missing.ics not found"),
        (("import", "."), "FILE: cannot read . ("),
        (("import", "missing.ics", "--sked", "west"), "sked: invalid value 'west'"),
        (("export", "/no/such/folder/agenda.ics"), "cannot write /no/such/folder/agenda.ics"),
    ],
)
def test_one_line_for_each_mistake(
    config: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[str | float, ...],
    reason: str,
) -> None:
    monkeypatch.chdir(config.parent)
    said(capsys, config, "add", "echo two", iso(600), iso(1200))
    words = [one if isinstance(one, str) else iso(one) for one in arguments]  # as of now
    _, err = said(capsys, config, *words, code=2)
    assert err.startswith("moontrim: ") and reason in err
    assert len(err.splitlines()) == 1
    assert len(listed(capsys, config)) == 1


def test_not_while_another_program_has_the_folder(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A daemon that starts has the lock before it has the socket."""
    with nobody_else(config.parent / "state"):
        _, err = said(capsys, config, "add", "echo", iso(60), iso(120), code=2)
    assert "in use by another moontrim" in err


def test_exported_and_imported(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, other = config.parent / "agenda.ics", config.parent / "other.ics"
    for n in range(12):
        said(capsys, config, "add", "echo", iso(60.0 + 120 * n), iso(120.0 + 120 * n))
    before = listed(capsys, config)
    assert said(capsys, config, "export", str(file))[0] == f"{file}: 12 events\n"
    out, err = said(capsys, config, "import", str(file))
    assert (out, err) == (f"{file}: 0 skeds added, 12 in the agenda already\n", "")
    assert listed(capsys, config) == before
    said(capsys, config, "remove", *(row["id"] for row in before))
    out, _ = said(capsys, config, "import", str(file))
    assert out == f"{file}: 12 skeds added\n"
    assert listed(capsys, config) == before
    said(capsys, config, "export", str(other))
    assert other.read_bytes() == file.read_bytes()


def test_an_import_adds_what_it_can(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def utc(ahead_s: float) -> str:
        return datetime.fromisoformat(iso(ahead_s)).strftime("%Y%m%dT%H%M%SZ")

    def event(summary: str, start: str, end: str, *more: str) -> list[str]:
        fields = [f"SUMMARY:{summary}", f"DTSTART:{start}", f"DTEND:{end}", f"UID:{summary}"]
        return ["BEGIN:VEVENT", *fields, *more, "END:VEVENT"]

    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//test//EN"]
    lines += event("echo with tea", utc(60), utc(120))
    lines += event("dentist", utc(60), utc(120))
    lines += event("echo two", utc(90), utc(180))
    lines += event("echo: weekly", utc(300), utc(400), "RRULE:FREQ=WEEKLY")
    lines += event("echo two at last", utc(120), utc(180))
    file = config.parent / "mixed.ics"
    file.write_text("\r\n".join([*lines, "END:VCALENDAR", ""]))
    out, err = said(capsys, config, "import", str(file), code=1)
    assert out == f"{file}: 2 skeds added, 3 not imported\n"
    assert all(line.startswith("moontrim: not imported: ") for line in err.splitlines())
    for reason in ("dentist: no sked of that name", "echo: weekly: recurring", "overlaps echo, "):
        assert reason in err
    out, err = said(capsys, config, "import", str(file), "--sked", "echo two", code=1)
    assert [row["sked"] for row in listed(capsys, config)] == ["echo two", "echo two"], (
        "the same event of another sked takes its place"
    )


def test_what_became_of_an_entry_is_listed_and_not_exported(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said(capsys, config, "add", "echo", iso(60), iso(120))
    settings, folder = load_settings(config), config.parent / "state"
    (entry,) = stored_session(folder, settings)[0].agenda
    change_saved(folder, settings, SettleEntry("agenda", entry, "missed: daemon not running"))
    assert (
        said(capsys, config, "list")[0]
        .rstrip()
        .endswith("echo  1296 MHz  missed: daemon not running")
    )
    file = config.parent / "agenda.ics"
    assert said(capsys, config, "export", str(file))[0] == f"{file}: 0 events\n"


def test_a_running_daemon_takes_and_follows_it(config: Path) -> None:
    state = config.parent / "state"

    def session() -> dict[str, Any]:
        saved: dict[str, Any] = json.loads((state / "session.json").read_text())["session"]
        return saved

    async def saved(name: str, value: Any) -> None:
        async with within(30):
            while session()[name] != value:
                await asyncio.sleep(0.1)

    async def scene() -> None:
        async with moontrim("run", "--config", str(config)):
            await until_up(config.parent)
            later = iso(3600), iso(5400)
            code, text = await asyncio.to_thread(run, config, "add", "echo two", *later)
            assert code == 0 and text.endswith(": done\n"), text
            assert [one["sked"] for one in session()["agenda"]] == ["echo two"], "on disk"
            assert session()["sked"] == "" and session()["tx_allowed"]
            code, text = await asyncio.to_thread(run, config, "add", "echo", iso(-60), iso(1800))
            assert code == 0, text
            await saved("sked", "echo")
            assert not session()["tx_allowed"]
            entry = next(one for one in session()["agenda"] if one["sked"] == "echo")
            assert session()["followed"] == entry["id"]
            code, text = await asyncio.to_thread(run, config, "add", "echo", iso(60), iso(120))
            assert code == 2 and "overlaps echo, " in text
            code, text = await asyncio.to_thread(run, config, "remove", entry["id"])
            assert code == 0, text
            code, text = await asyncio.to_thread(run, config, "remove", entry["id"])
            assert code == 1 and "moontrim agenda list" in text
            file = config.parent / "agenda.ics"
            code, text = await asyncio.to_thread(run, config, "export", str(file))
            assert code == 0 and text == f"{file}: 1 event\n"
            (other,) = session()["agenda"]
            assert (await asyncio.to_thread(run, config, "remove", other["id"]))[0] == 0
            code, text = await asyncio.to_thread(run, config, "import", str(file))
            assert code == 0 and text == f"{file}: 1 sked added\n"
            assert session()["agenda"] == [other]

    asyncio.run(scene())
    assert session()["sked"] == "echo"
