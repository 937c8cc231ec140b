"""`moontrim report`: the page, rows and summary it makes, and one line for each mistake."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import csv
import json
import math
import os
import re
import sqlite3
import sys
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest

from moontrim.cli import report as command
from moontrim.errors import MoontrimError
from moontrim.journal.companion import Journal
from moontrim.journal.readonly import open_journal
from moontrim.journal.schema import NAME
from moontrim.path import Ephemeris
from moontrim.rehearsal.rehearsal import embedded_settings
from moontrim.report.columns import COLUMNS
from moontrim.report.export import columns_of, write_csv
from moontrim.report.recorded import read_session
from moontrim.session.commands import SetAgreement, SetPartner, SetTrim
from moontrim.session.session import first_session
from moontrim.state.snapshot import Tracking
from moontrim.tuning.correction import ECHO_AGREEMENTS
from support.moontrim_process import LEAST_CONFIG
from support.recorded import T0, Made, change, make_journal
from support.stage import Stage, play

EVIL = "<script>alert(1)</script>"
VOID = {"meta", "link", "br"}


def run(*arguments: str | Path) -> int:
    """The command as `moontrim.cli.main` runs it."""
    top = argparse.ArgumentParser()
    command.add(top.add_subparsers(required=True))
    options = top.parse_args(["report", *map(str, arguments)])
    try:
        return int(options.call(options))
    except MoontrimError as error:
        print(f"moontrim: {error}", file=sys.stderr)
        return 2


class Page(HTMLParser):
    """A page taken apart: its elements, ids and text; every element closed in its order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.text = ""
        self._open: list[str] = []
        self.feed(text)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        for name, value in attrs:
            assert not name.startswith("on"), (tag, name)
            if name == "id":
                self.ids.append(value or "")
            if name in ("src", "href", "xlink:href", "data", "action"):
                self.addresses.append(value or "")
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self._open.pop()

    def handle_data(self, data: str) -> None:
        self.text += data


def made_page(path: Path, out: Path, *more: str) -> tuple[str, Page]:
    assert run("--journal", path, "--out", out, *more) == 0
    text = out.read_text()
    page = Page(text)
    assert "script" not in page.tags
    assert len(page.ids) == len(set(page.ids))
    assert all(address.startswith("#") for address in page.addresses), "nothing but itself"
    assert "http://" not in text.replace("http://www.w3.org/", ""), "names of namespaces only"
    return text, page


def full(tmp_path: Path, ephemeris: Ephemeris) -> Path:
    """A session in which something of everything happened."""
    settings = embedded_settings()
    first = first_session(settings)
    return make_journal(
        tmp_path,
        ephemeris,
        Made(
            900,
            choices=[(0, first), (400, SetAgreement("x", "receiver").apply(first, settings))],
            missing=lambda k: 50 <= k < 53,
            lost=lambda k: 600 <= k < 640,
            keyed=lambda k: k % 120 < 50 and not 600 <= k < 640,
            commands=[
                (60, f"phone {EVIL}", f"sked {EVIL}", "done"),
                (70, "terminal", "sked 1 Hz", f"refused & {EVIL}"),
            ],
            faults=[(599.7, 639.7, "tracking:no contact with radio", f"no answer {EVIL}")],
            budgets=[(60, 0.7, 0.8, f"home's place {EVIL}", "Say where you are.")],
        ),
    )


# --- the page -------------------------------------------------------------------------------------


def test_the_page_says_it_all(tmp_path: Path, ephemeris: Ephemeris) -> None:
    text, page = made_page(full(tmp_path, ephemeris), tmp_path / "page.html")
    for phrase in (
        "On frequency for 857 of 900 s (95.22 %).",
        "no contact with radio for 40 s.",
        "3 seconds without a record, in 1 gap",
        "IM12mr55mm (32.731337,-16.953993,1400.0)",
        "KP20nf11aa (60.212587,25.091840,60.0)",
        "10\u202f368\u202f100\u202f000",
        "receiver: both send on the sked frequency",
        "Maximum difference of an ideal dial 0.000",
        "Nothing here was measured on the air.",
        "ideal 1 Hz dial",
        "2026-11-18T15:12:00Z",
        "8, 6 min in all",
    ):
        assert phrase in page.text, phrase
    assert page.tags.count("svg") == page.tags.count("figcaption") == 6
    assert text.count("Hz") > 20
    assert "nan" not in page.text.lower().replace("finance", "")
    assert "None" not in page.text


def test_texts_of_the_journal_stay_texts(tmp_path: Path, ephemeris: Ephemeris) -> None:
    path = full(tmp_path, ephemeris)
    for statement in (
        "UPDATE sessions SET version = ?",
        "UPDATE contexts SET band = ?, agreement = ?1, partner = ?1, sked = ?1 WHERE id = 1",
        "UPDATE names SET text = ? WHERE text = 'no contact with radio'",
        "UPDATE budgets SET json = replace(json, 'reference', ?)",
        "UPDATE sessions SET station_json = replace(station_json, 'simulated', ?)",
    ):
        change(path, statement, EVIL + "&amp;\x00$x_1$'\"")
    text, page = made_page(path, tmp_path / "page.html")
    assert EVIL not in text
    assert page.text.count(EVIL) >= 10


def test_a_session_that_says_nothing_about_dials(tmp_path: Path, ephemeris: Ephemeris) -> None:
    path = make_journal(
        tmp_path, ephemeris, Made(60, lost=lambda k: True, clock_bound_ms=None, ended=False)
    )
    change(path, "UPDATE seconds_raw SET rx_ideal_e4 = NULL, tx_ideal_e4 = NULL")
    change(path, "UPDATE seconds_raw SET rx_correction_e4 = NULL, elevation_e3 = NULL")
    _, page = made_page(path, tmp_path / "page.html")
    assert "No dial was read back" in page.text
    assert page.tags.count("svg") == 1
    assert "Commands\nNone." in page.text
    assert "Faults\nNone detected." in page.text
    assert "No error budget was recorded." in page.text


@pytest.mark.parametrize("statement", [None, "UPDATE sessions SET station_json = '{}'"])
def test_one_second_makes_a_page(
    tmp_path: Path, ephemeris: Ephemeris, statement: str | None
) -> None:
    path = make_journal(tmp_path, ephemeris, Made(1))
    if statement:
        change(path, statement)
    _, page = made_page(path, tmp_path / "page.html")
    assert "On frequency for 1 of 1 s (100 %)." in page.text


def test_long_tables_are_cut_and_say_so(tmp_path: Path, ephemeris: Ephemeris) -> None:
    commands = [(k, "phone", f"sked {k} Hz", "done") for k in range(130)]
    path = make_journal(tmp_path, ephemeris, Made(140, commands=commands))
    _, page = made_page(path, tmp_path / "page.html")
    assert "sked 99 Hz" in page.text and "sked 100 Hz" not in page.text
    assert "30 more are not shown" in page.text


def test_by_hand_the_same_doppler(
    tmp_path: Path, ephemeris: Ephemeris, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command that the page offers prints the Doppler that the page says it does."""
    from moontrim.cli.main import main

    text, page = made_page(full(tmp_path, ephemeris), tmp_path / "page.html")
    match = re.search(r"<pre>moontrim ([^<]*)</pre>", text)
    output = re.search(r"beside “([^”]*)”.*recorded then is ([^ ]*) Hz", page.text)
    assert match and output
    capsys.readouterr()
    assert main([*match[1].split(), "--json"]) == 0
    legs = json.loads(capsys.readouterr().out)["legs"]
    leg = {"Moon to home": "moon_to_home", "partner to home": "partner_to_home"}[output[1]]
    recorded_hz = float(output[2].replace("\u202f", "").replace("\u2212", "-"))
    assert recorded_hz == pytest.approx(legs[leg]["doppler_hz"], abs=0.002)


@pytest.mark.parametrize("agreement", ECHO_AGREEMENTS)
def test_by_hand_with_own_echoes(
    tmp_path: Path, ephemeris: Ephemeris, capsys: pytest.CaptureFixture[str], agreement: str
) -> None:
    """No trim is in the correction, that of the transmitter neither; where the echo arrives on the
    sked frequency there is nothing to look up."""
    from moontrim.cli.main import main

    settings = embedded_settings()
    session = SetAgreement("x", agreement).apply(first_session(settings), settings)
    for change_it in (SetPartner("x", "self"), SetTrim("x", rx_hz=50.0, tx_hz=-20.0)):
        session = change_it.apply(session, settings)
    path = make_journal(tmp_path, ephemeris, Made(100, choices=[(0, session)]))
    text, page = made_page(path, tmp_path / "page.html")
    output = re.search(r"beside “([^”]*)”.*recorded then is ([^ ]*) Hz", page.text)
    if agreement == "transmitter":
        assert output is None
        return
    match = re.search(r"<pre>moontrim ([^<]*)</pre>", text)
    assert match and output
    capsys.readouterr()
    assert main([*match[1].split(), "--json"]) == 0
    legs = json.loads(capsys.readouterr().out)["legs"]
    leg = {"Moon to home": "moon_to_home", "home to home": "home_to_home"}[output[1]]
    recorded_hz = float(output[2].replace("\u202f", "").replace("\u2212", "-"))
    assert recorded_hz == pytest.approx(legs[leg]["doppler_hz"], abs=0.002)


# --- rows and summary -----------------------------------------------------------------------------


def test_csv_round_trips(tmp_path: Path, ephemeris: Ephemeris) -> None:
    path = full(tmp_path, ephemeris)
    assert run("--journal", path, "--csv", tmp_path / "rows.csv") == 0
    assert not Path("report.html").exists()
    with (tmp_path / "rows.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    conn = sqlite3.connect(path)
    conn.row_factory = sqlite3.Row
    stored = conn.execute("SELECT * FROM seconds ORDER BY utc_s").fetchall()
    states = dict(conn.execute("SELECT code, text FROM names WHERE kind = 'tracking'").fetchall())
    conn.close()
    assert len(rows) == len(stored) == 897
    assert list(rows[0]) == list(COLUMNS)
    for row, written in zip(rows, stored, strict=True):
        assert row["tracking"] == states[written["tracking"]]
        assert row["sked_hz"] == "10368100000.000"
        for name in set(COLUMNS) & set(written.keys()) - {"tracking", "keying", "utc_s"}:
            if written[name] is None:
                assert row[name] == "", name
            else:
                assert float(row[name]) == pytest.approx(written[name], rel=0, abs=1e-6), name
    assert rows[0]["utc"] == "2026-11-18T15:12:00Z"
    assert rows[0]["at_utc_s"] == f"{T0 - 0.3:.6f}"


def test_no_cell_is_a_formula(tmp_path: Path, ephemeris: Ephemeris) -> None:
    path = make_journal(tmp_path, ephemeris, Made(2))
    change(path, "UPDATE contexts SET band = '=1+1', partner = '-33.9,151.2,20', sked = '@x'")
    conn = open_journal(path)
    write_csv(read_session(conn, None), tmp_path / "rows.csv")
    conn.close()
    with (tmp_path / "rows.csv").open(newline="") as file:
        row = next(csv.DictReader(file))
    assert (row["band"], row["partner"]) == ("'=1+1", "-33.9,151.2,20")
    assert (row["sked"], row["over_s"]) == ("'@x", "60.0")


def test_parquet_round_trips(tmp_path: Path, ephemeris: Ephemeris) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason="pyarrow is not installed")
    path = full(tmp_path, ephemeris)
    assert run("--journal", path, "--parquet", tmp_path / "rows.parquet") == 0
    table = parquet.read_table(tmp_path / "rows.parquet")
    conn = open_journal(path)
    expected = columns_of(read_session(conn, None))
    conn.close()
    assert table.column_names == list(COLUMNS)
    assert table.to_pydict() == expected
    assert b"Hz" in table.schema.field("rx_ideal_hz").metadata[b"meaning"]
    assert str(table.schema.field("rx_dial_hz").type) == "int64"


def test_parquet_without_pyarrow_says_how_to_get_it(
    tmp_path: Path,
    ephemeris: Ephemeris,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    path = make_journal(tmp_path, ephemeris, Made(2))
    assert run("--journal", path, "--parquet", tmp_path / "x.parquet") == 2
    assert "pip install 'moontrim[parquet]'" in one_line(capsys)


def test_the_summary_is_plain_json(
    tmp_path: Path, ephemeris: Ephemeris, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("--journal", full(tmp_path, ephemeris), "--json") == 0
    summary = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    assert summary["seconds"] == {
        "expected": 900,
        "recorded": 897,
        "missed": 3,
        "on_frequency": 857,
    }
    receive = summary["dials"]["receive"]["on_frequency"]
    assert receive["rms_hz"] == pytest.approx(1.0 / math.sqrt(12.0), rel=0.1)
    assert summary["recomputed"]["max_hz"] < 0.0005
    assert summary["commands"][0]["by"] == f"phone {EVIL}"
    assert len(summary["overs"]) == 8


def test_the_list(tmp_path: Path, ephemeris: Ephemeris, capsys: pytest.CaptureFixture[str]) -> None:
    path = make_journal(
        tmp_path, ephemeris, Made(3600), Made(0, start_utc_s=T0 + 9000, ended=False)
    )
    change(path, "UPDATE contexts SET band = '[bold]10' WHERE id = 1")
    assert run("--journal", path, "--list") == 0
    text = capsys.readouterr().out
    for phrase in ("2026-11-18T15:11:59Z", "1 h 00 min", "100 %", "[bold]10", "nothing recorded"):
        assert phrase in text
    assert run("--journal", path, "--list", "--json") == 0
    first, second = json.loads(capsys.readouterr().out)
    assert (first["id"], first["duration_s"], first["bands"]) == (1, 3600, ["[bold]10"])
    assert (second["ended"], second["on_frequency_s"]) == (None, 0)


def test_the_config_leads_to_the_journal(
    tmp_path: Path, ephemeris: Ephemeris, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_journal(tmp_path, ephemeris, Made(30))
    config = tmp_path / "station.toml"
    config.write_text(f'state_dir = "{tmp_path}"\n{LEAST_CONFIG}')
    monkeypatch.chdir(tmp_path)
    assert run("--config", config) == 0
    assert "On frequency for 30 of 30 s" in Path("report.html").read_text()


# --- a daemon's own journal -----------------------------------------------------------------------


def test_of_a_daemon_that_still_runs(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """Real daemon, real writer; reported while it writes. Its radio is lost, its dial turned."""

    async def scene(s: Stage) -> None:
        journal = Journal(tmp_path, s.daemon.settings, s.clock)
        writing = asyncio.create_task(journal.run(s.daemon))
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        await s.clock.sleep(60.0)
        s.radio.turn_dial(500)
        await s.clock.sleep(60.0)
        s.radio.change(unreachable_s=20.0)
        s.radio.drop()
        await s.clock.sleep(60.0)
        await journal.flush()
        try:
            assert run("--journal", tmp_path / NAME, "--out", tmp_path / "page.html") == 0
        finally:
            writing.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await writing

    play(tmp_path, ephemeris, scene, T0 + 0.25)
    page = Page((tmp_path / "page.html").read_text())
    assert "No second was missed." in page.text
    assert re.search(r"no contact with radio for 2\d s", page.text)
    assert "no end recorded" in page.text, "by the machine's clock it ended days ago"
    match = re.search(r"agree with the recorded ones to ([0-9.]+) Hz", page.text)
    assert match and float(match[1]) < 0.0005


# --- mistakes -------------------------------------------------------------------------------------


def one_line(capsys: pytest.CaptureFixture[str]) -> str:
    output = capsys.readouterr()
    assert output.err.count("\n") == 1, output.err
    assert output.out == ""
    return output.err


def test_no_journal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--journal", tmp_path / "none.sqlite3") == 2
    assert "not found" in one_line(capsys)


@pytest.mark.parametrize("content", [b"", b"not a journal at all, but long enough" * 200])
def test_not_a_journal(tmp_path: Path, content: bytes, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "x.sqlite3"
    path.write_bytes(content)
    assert run("--journal", path) == 2
    assert "journal: " in one_line(capsys)


def test_an_empty_journal(
    tmp_path: Path, ephemeris: Ephemeris, capsys: pytest.CaptureFixture[str]
) -> None:
    path = make_journal(tmp_path, ephemeris)
    assert run("--journal", path) == 2
    assert "no session recorded yet" in one_line(capsys)
    assert run("--journal", path, "--list", "--json") == 0
    assert json.loads(capsys.readouterr().out) == []


@pytest.mark.parametrize("wanted", ["7", "last", "1.0", "²", "9" * 18, "9" * 40])
def test_an_unknown_session(
    tmp_path: Path, ephemeris: Ephemeris, wanted: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = make_journal(tmp_path, ephemeris, Made(2))
    assert run(wanted, "--journal", path) == 2
    assert "a number from `moontrim report --list`" in one_line(capsys)


def no_folder(folder: Path) -> Path:
    return folder / "none" / "x"


def a_folder(folder: Path) -> Path:
    return folder


@pytest.mark.parametrize(
    ("option", "place"),
    [
        ("--out", no_folder),
        ("--csv", no_folder),
        ("--csv", a_folder),
        ("--parquet", no_folder),
        ("--parquet", a_folder),
    ],
)
def test_where_nothing_can_be_written(
    tmp_path: Path,
    ephemeris: Ephemeris,
    option: str,
    place: Callable[[Path], Path],
    capsys: pytest.CaptureFixture[str],
) -> None:
    if option == "--parquet":
        pytest.importorskip("pyarrow", reason="pyarrow is not installed")
    path = make_journal(tmp_path, ephemeris, Made(2))
    assert run("--journal", path, option, place(tmp_path)) == 2
    output = one_line(capsys)
    assert output.startswith(f"moontrim: {option}: ")
    assert "cannot write" in output


def test_a_garbled_file(
    tmp_path: Path, ephemeris: Ephemeris, capsys: pytest.CaptureFixture[str]
) -> None:
    path = make_journal(tmp_path, ephemeris, Made(3000))
    whole = path.read_bytes()
    for at in range(4096, len(whole), 4096):
        path.write_bytes(whole[:at] + os.urandom(4096) + whole[at + 4096 :])
        capsys.readouterr()
        code = run("--journal", path, "--csv", tmp_path / "rows.csv")
        assert code in (0, 2)
        if code == 2:
            one_line(capsys)
