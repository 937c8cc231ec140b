"""The journal beside the whole daemon, on the simulated radio and a virtual clock: what it says
happened is what happened."""

import asyncio
import json
import math
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from moontrim.app.whereabouts import home_at
from moontrim.errors import InputError
from moontrim.journal.companion import Journal
from moontrim.journal.readonly import open_journal, sessions
from moontrim.journal.schema import NAME
from moontrim.path import Ephemeris, Site, solve_path
from moontrim.rehearsal.rehearsal import embedded_settings, next_window, rehearse
from moontrim.session.commands import Correct, SetAgreement, SetSked
from moontrim.session.skeds import ChooseSked, Undo
from moontrim.state.snapshot import Tracking
from moontrim.tracking.inbox import HomeMoved
from moontrim.tuning.correction import Fractions, on_air
from support.journals import rows, utc_seconds
from support.stage import SKED_HZ, T0, Stage, play


@asynccontextmanager
async def recorded(stage: Stage, folder: Path) -> AsyncIterator[Journal]:
    """A journal of what the stage's daemon does within the block."""
    daemon = stage.daemon
    journal = Journal(folder, daemon.settings, stage.clock, lambda: 0.0015)
    running = asyncio.create_task(journal.run(daemon))
    await asyncio.sleep(0)
    try:
        yield journal
        await journal.flush()
    finally:
        running.cancel()
        await asyncio.wait([running])


def test_a_rehearsal_second_by_second(ephemeris: Ephemeris, tmp_path: Path) -> None:
    """The ideal dial of every second, recomputed by the exact path at the instant the journal
    names, without the daemon's model, plan or bands."""
    settings = embedded_settings().model_copy(update={"state_dir": tmp_path})
    start, end = next_window(ephemeris, settings, T0)
    start, end = start + 7200.0, start + 7200.0 + 600.0
    problems: list[str] = []

    async def journal(daemon: Any) -> None:
        made = Journal(tmp_path, settings, daemon.clock)
        try:
            await made.run(daemon)
        finally:
            problems.append(made.problem)

    result = rehearse(settings, ephemeris, start, end, pace=math.inf, companions=(journal,))
    assert result.passed and problems == [""]
    conn = open_journal(tmp_path / NAME)
    try:
        (session,) = sessions(conn)
        found = conn.execute("SELECT * FROM seconds ORDER BY utc_s").fetchall()
        names = dict(conn.execute("SELECT code, text FROM names WHERE kind = 'tracking'"))
    finally:
        conn.close()
    assert (session.began_utc_s, session.ended_utc_s) == (start, end)
    assert [row["utc_s"] for row in found] == list(range(math.floor(start), math.floor(end) + 1))
    at_utc_s = [row["at_utc_s"] for row in found]
    assert at_utc_s[1:] == pytest.approx([row["utc_s"] - 0.3 for row in found[1:]], abs=1e-5)
    partner = settings.partner.site()  # type: ignore[union-attr]
    legs = solve_path(ephemeris, settings.home.site(), partner, at_utc_s, True).legs
    for n, row in enumerate(found):
        ideal = on_air(
            "halves",
            SKED_HZ,
            Fractions(
                float(legs["home_to_moon"].fraction[n]),
                float(legs["moon_to_home"].fraction[n]),
                0,
                0,
            ),
            0.0,
            0.0,
            SKED_HZ,
        )
        # 0.0001 Hz for the column, 0.0002 for the straight line through a second, some for the fit.
        for which, hz in (("rx", ideal.rx_hz), ("tx", ideal.tx_hz)):
            assert row[f"{which}_ideal_hz"] == pytest.approx(hz - 10_224_000_000, abs=1e-3)
            assert row[f"{which}_correction_hz"] == pytest.approx(hz - SKED_HZ, abs=1e-3)
    later = found[5:]
    assert all(names[row["tracking"]] == "on frequency" for row in later)
    assert all(abs(row["rx_residual_hz"]) <= 0.6 for row in later)
    assert {row["transmitting"] for row in later} == {0, 1}


def test_skeds_and_partners_by_name(ephemeris: Ephemeris, tmp_path: Path) -> None:
    north = {"name": "North", "locator": "KP20NF", "height_m": 500.0}
    sked = {"name": "north", "band": "10 GHz", "sked_hz": SKED_HZ + 20_000, "partner": "north"}
    sked |= {"tx_sked_hz": SKED_HZ + 50_000, "over_s": 30.0}

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        async with recorded(s, tmp_path):
            await s.clock.sleep(2.0)
            await s.daemon.ask(ChooseSked("phone", "NORTH"))
            await s.clock.sleep(2.0)
            await s.daemon.ask(Undo("phone"))
            await s.clock.sleep(2.0)

    play(tmp_path / "session", ephemeris, scene, tables={"partners": [north], "skeds": [sked]})
    columns = "sked, partner, sked_hz, tx_sked_hz, over_s"
    before, chosen, after = rows(tmp_path, f"SELECT {columns} FROM contexts ORDER BY id")
    assert before == after == ("", "KP20nf11aa", SKED_HZ, SKED_HZ, 60.0)
    assert chosen == ("north", "North", SKED_HZ + 20_000, SKED_HZ + 50_000, 30.0)
    ((station,),) = rows(tmp_path, "SELECT station_json FROM sessions")
    assert json.loads(station)["partners"]["North"]["height_m"] == 500.0
    commands = rows(tmp_path, 'SELECT "by", what, outcome FROM commands ORDER BY id')
    assert commands == [("phone", "sked NORTH", "done"), ("phone", "undo", "done")]


def test_what_went_wrong_and_who_did_what(ephemeris: Ephemeris, tmp_path: Path) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        async with recorded(s, tmp_path):
            await s.clock.sleep(5.0)
            s.radio.power_cycle()
            await s.until(Tracking.NO_CONTACT, 3.0)
            await s.until(Tracking.ON_FREQUENCY, 60.0)
            for command in (SetSked("phone", SKED_HZ + 70), SetAgreement("program", "home")):
                await s.daemon.ask(command)
            with suppress(InputError):
                await s.daemon.ask(SetSked("phone", 1.0))
            await s.clock.sleep(3.0)
            await s.daemon.ask(Correct("phone", False))
            await s.clock.sleep(3.0)

    play(tmp_path / "session", ephemeris, scene)
    faults = rows(tmp_path, "SELECT kind, to_utc_s - from_utc_s, text FROM faults ORDER BY id")
    lost = [fault for fault in faults if fault[0] == "tracking:no contact with radio"]
    assert lost and all(
        duration_s is not None and 0.0 < duration_s < 60.0 for _, duration_s, _ in lost
    )
    assert [text for kind, _, text in faults if kind == "event"], "what the tracker logged"
    assert not [kind for kind, _, _ in faults if kind in ("tracking:paused", "missed")]
    contexts = rows(
        tmp_path, "SELECT sked_hz, tx_sked_hz, agreement, correcting FROM contexts ORDER BY id"
    )
    assert contexts[0] == (SKED_HZ, SKED_HZ, "halves", 1)
    assert contexts[-2:] == [
        (SKED_HZ + 70, SKED_HZ + 70, "home", 1),
        (SKED_HZ + 70, SKED_HZ + 70, "home", 0),
    ]
    commands = rows(tmp_path, 'SELECT "by", what, outcome FROM commands ORDER BY id')
    assert commands[:2] == [
        ("phone", "sked 10 368 100 070 Hz", "done"),
        ("program", "agreement home", "done"),
    ]
    assert commands[2][:2] == ("phone", "sked 1 Hz") and "invalid value" in commands[2][2]
    query = "SELECT agreement, count(*) FROM seconds JOIN contexts ON id = context_id GROUP BY 1"
    assert {agreement for agreement, _ in rows(tmp_path, query)} == {"halves", "home"}
    assert rows(tmp_path, "SELECT DISTINCT clock_bound_ms FROM seconds") == [(1.5,)]
    found = utc_seconds(tmp_path)
    assert found == list(range(found[0], found[0] + len(found))), "none missed, none made up"


def test_a_step_of_the_clock(ephemeris: Ephemeris, tmp_path: Path) -> None:
    async def scene(s: Stage) -> None:
        async with recorded(s, tmp_path):
            for step_s in (0.0, 100.0, -50.0):
                s.clock.step_utc(step_s)
                await s.clock.sleep(10.0)

    play(tmp_path / "session", ephemeris, scene)
    query = "SELECT session_id, count(*), max(utc_s) - min(utc_s) FROM seconds GROUP BY 1"
    # Forward, seconds that never were are no rows; back, the same seconds come again.
    (first, second) = rows(tmp_path, query)
    assert first[:2] == (1, pytest.approx(20, abs=2)) and first[2] == pytest.approx(120, abs=2)
    assert second[0] == 2 and second[1] >= 9 and second[2] == second[1] - 1
    assert rows(tmp_path, "SELECT count(*) FROM sessions WHERE ended_utc_s IS NULL") == [(0,)]


def test_a_disk_that_refuses_does_not_disturb_the_daemon(
    ephemeris: Ephemeris, tmp_path: Path
) -> None:
    blocked = tmp_path / "blocked"
    blocked.write_text("no folder")

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 3.0)
        async with recorded(s, blocked) as journal:
            await s.steady(60)
            await journal.flush()
            said = re.fullmatch(r"journal: file exists; (\d+) s waiting", journal.problem)
            # The clock runs on, and fast, while the real disk is waited for.
            assert said and int(said[1]) >= 60, journal.problem
            assert s.snapshot.missed_seconds == 0
            blocked.unlink()
            await journal.flush()
            assert journal.problem == ""
            await s.steady(5)

    play(tmp_path / "session", ephemeris, scene)
    found = utc_seconds(blocked)
    assert found == list(range(found[0], found[0] + len(found))) and len(found) >= 66


def test_a_mistake_in_the_journal_does_not_end_the_daemon(
    ephemeris: Ephemeris, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async def scene(s: Stage) -> None:
        async with recorded(s, tmp_path) as journal:
            await s.clock.sleep(5.0)

            def wrong() -> float:
                raise ZeroDivisionError

            journal._clock_bound_s = wrong
            await s.clock.sleep(5.0)
            assert "cannot record: ZeroDivisionError" in journal.problem
            journal._clock_bound_s = lambda: None
            await s.clock.sleep(5.0)
            assert journal.problem == ""

    play(tmp_path / "session", ephemeris, scene)
    assert caplog.text.count("cannot record what") == 1
    found = utc_seconds(tmp_path)
    missing = set(range(found[0], found[-1])) - set(found)
    assert 4 <= len(missing) <= 6, "and what can be recorded is"


def test_left_off_by_the_config(ephemeris: Ephemeris, tmp_path: Path) -> None:
    async def scene(s: Stage) -> None:
        async with recorded(s, tmp_path) as journal:
            await s.clock.sleep(5.0)
            assert journal.problem == ""

    play(tmp_path / "session", ephemeris, scene, tables={"journal": {"enabled": False}})
    assert not (tmp_path / NAME).exists()


@dataclass
class FakeBudget:
    error_95_hz: float
    largest: str
    advice: str

    def as_json(self) -> dict[str, Any]:
        return {"error_95_hz": self.error_95_hz}


def test_error_budgets(ephemeris: Ephemeris, tmp_path: Path) -> None:
    async def scene(s: Stage) -> None:
        async with recorded(s, tmp_path) as journal:
            rx, tx = FakeBudget(0.5, "dial", "Nothing."), FakeBudget(9.1, "place", "Ask for more.")
            journal.note_budget(s.clock.utc_s(), rx, tx)

    play(tmp_path / "session", ephemeris, scene)
    ((*numbers, words),) = rows(tmp_path, "SELECT * FROM budgets")
    assert numbers == [1, T0 + 1, 0.5, 9.1, "place", "Ask for more."]
    assert json.loads(words) == {"rx": {"error_95_hz": 0.5}, "tx": {"error_95_hz": 9.1}}


def test_a_home_that_moves_begins_a_session(ephemeris: Ephemeris, tmp_path: Path) -> None:
    """A report recomputes the path from where home was."""

    async def scene(s: Stage) -> None:
        async with recorded(s, tmp_path):
            await s.clock.sleep(5.0)
            s.daemon.inbox.post(HomeMoved(home_at(Site(32.9, -16.5, 1200.0))))
            await s.clock.sleep(5.0)
            await s.daemon.ask(Correct("phone", False))

    play(tmp_path / "session", ephemeris, scene)
    stations = rows(tmp_path, "SELECT station_json FROM sessions ORDER BY id")
    homes = [json.loads(station)["home"]["latitude_deg"] for (station,) in stations]
    assert len(homes) == 2 and homes[0] != 32.9 and homes[1] == 32.9
    counts = rows(tmp_path, "SELECT session_id, count(*) FROM seconds GROUP BY 1 ORDER BY 1")
    assert all(count >= 4 for _, count in counts)
