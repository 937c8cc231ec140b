"""The agenda followed by the whole daemon on the virtual clock: at an entry's start its sked is on
the dials, with transmit inhibited; nothing is done under RF, across front ends or twice."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from moontrim.agenda.follower import Follower
from moontrim.errors import NotNowError
from moontrim.journal.companion import Journal
from moontrim.journal.schema import NAME as JOURNAL
from moontrim.path import Ephemeris
from moontrim.session.agenda import AgendaEntry, new_entry
from moontrim.session.agendacommands import AddToAgenda, FollowEntry
from moontrim.session.commands import AllowTransmit, Correct, SetSked, SetTrim
from moontrim.session.sessionfile import make_mark, save_session, stored_session
from moontrim.session.skeds import ChooseSked
from moontrim.state.snapshot import Tracking
from support.agendas import DIRECT, LOW, SKEDS, STATION, with_agenda
from support.journals import rows
from support.scenario_keying import KEYING, moon_high
from support.stage import T0, Stage, play

NORTH_HZ, ECHOES_HZ = 10_368_150_000, 432_065_000
START_S = 30.0  # of the first entry, after the start of the daemon
CEILING = {"drive_ceiling": 0.1}

Acting = Callable[[Stage], Coroutine[Any, Any, None]]


@asynccontextmanager
async def followed(s: Stage) -> AsyncIterator[None]:
    """Runs the follower, and the journal, beside the daemon."""
    journal = Journal(s.daemon.settings.state_path(), s.daemon.settings, s.clock)
    tasks = [
        asyncio.create_task(companion(s.daemon)) for companion in (Follower().run, journal.run)
    ]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def entry(sked: str, after_s: float, minutes: float, start_utc_s: float = T0) -> AgendaEntry:
    start = start_utc_s + after_s
    return new_entry(sked, start, start + 60.0 * minutes)


def run(
    folder: Path,
    ephemeris: Ephemeris,
    acting: Acting,
    *entries: AgendaEntry,
    start_utc_s: float = T0,
    **changes: Any,
) -> Stage:
    """Plays with these entries in the saved agenda and transmit allowed on 10 GHz. Without entries
    with what was saved before."""
    if entries:
        save_session(folder, with_agenda(*entries))
        make_mark(folder)

    async def scene(s: Stage) -> None:
        async with followed(s):
            await acting(s)

    tables = {"skeds": SKEDS} | changes.pop("tables", {})
    more = {"more_bands": (LOW | CEILING, DIRECT), "band": CEILING} | changes
    return play(folder, ephemeris, scene, start_utc_s, tables=tables, **more)


async def until(s: Stage, after_s: float, start_utc_s: float = T0) -> None:
    await s.clock.sleep_until_utc(start_utc_s + after_s)


def outcomes(folder: Path) -> list[str]:
    session, problem = stored_session(folder, STATION)
    assert problem == ""
    return [one.outcome for one in session.agenda]


def commands_of_the_agenda(folder: Path) -> list[tuple[str, str]]:
    query = "SELECT what, outcome FROM commands WHERE \"by\" = 'agenda' ORDER BY id"
    return rows(folder, query)


def test_two_skeds_one_after_the_other(tmp_path: Path, ephemeris: Ephemeris) -> None:
    first, second = entry("north", START_S, 3), entry("echoes", START_S + 180.0, 2)

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await until(s, START_S - 1.0)
        assert s.daemon.session.tx_allowed and s.daemon.session.sked == ""
        assert s.snapshot.agenda is not None and s.snapshot.agenda.next is not None
        assert s.snapshot.agenda.next[:3] == (first.id, "north", "10 GHz")
        await until(s, START_S + 1.5)
        assert (s.snapshot.sked_hz, s.snapshot.agreement) == (NORTH_HZ, "receiver")
        assert not s.snapshot.tx_allowed
        await s.steady(60)
        ideal = s.daemon.planning.ideal(s.clock.utc_s())
        assert s.radio.rx_dial_hz == pytest.approx(s.band.dial_hz(ideal.rx_hz), abs=0.8)
        assert s.snapshot.agenda is not None and s.snapshot.agenda.running == first.id
        await until(s, START_S + 185.0)
        assert s.snapshot.band == "432 MHz" and s.snapshot.sked_hz == ECHOES_HZ
        assert s.snapshot.partner == "self" and not s.snapshot.tx_allowed
        await until(s, START_S + 305.0)
        assert s.snapshot.sked_hz == ECHOES_HZ, "after its end it stays"
        assert s.snapshot.agenda is not None and s.snapshot.agenda.next is None
        assert not s.snapshot.faults

    run(tmp_path, ephemeris, scene, first, second)
    assert outcomes(tmp_path) == [
        "followed, on frequency 3 of 3 min",
        "followed, on frequency 2 of 2 min",
    ]
    assert commands_of_the_agenda(tmp_path) == [
        (f"follow agenda: {first}", "done"),
        (f"agenda: {first}: followed, on frequency 3 of 3 min", "done"),
        (f"follow agenda: {second}", "done"),
        (f"agenda: {second}: followed, on frequency 2 of 2 min", "done"),
    ]


def test_never_under_rf(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """Keyed by a foot switch, or by the daemon itself."""
    start = moon_high(ephemeris)
    first, second = (entry("north", at_s, 2, start) for at_s in (START_S, START_S + 180.0))

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(3.0)
        s.radio.key(True)
        await until(s, START_S + 40.0, start)
        assert s.snapshot.sked == "" and s.snapshot.tx_allowed and s.radio.transmitting
        assert s.snapshot.agenda is not None and s.snapshot.agenda.next is not None
        assert s.snapshot.agenda.next.waits_for == "the end of the over"
        s.radio.key(False)
        await until(s, START_S + 43.0, start)
        assert s.snapshot.sked == "north" and not s.snapshot.tx_allowed
        await until(s, START_S + 130.0, start)
        await s.daemon.ask(SetSked("phone", NORTH_HZ + 1000.0))
        await s.daemon.ask(AllowTransmit("phone", True, "10 GHz"))
        await s.clock.sleep(3.0)
        await s.daemon.transmitting.request("desk")
        await until(s, START_S + 200.0, start)
        assert s.snapshot.transmitting and s.snapshot.sked_hz == NORTH_HZ + 1000
        with pytest.raises(NotNowError, match="transmitting"):
            await s.daemon.ask(FollowEntry("agenda", second))
        s.daemon.transmitting.release("desk")
        await until(s, START_S + 205.0, start)
        assert s.snapshot.sked_hz == NORTH_HZ and not s.snapshot.tx_allowed
        await until(s, START_S + 303.0, start)

    keying = {"keying": KEYING | {"longest_over_s": 300.0}}
    run(tmp_path, ephemeris, scene, first, second, start_utc_s=start, tables=keying)
    assert [one.split(";")[0] for one in outcomes(tmp_path)] == [
        "followed, on frequency 1 of 2 min",
        "followed, on frequency 2 of 2 min",
    ]


def test_never_to_another_front_end(tmp_path: Path, ephemeris: Ephemeris) -> None:
    first, second = entry("plain", START_S, 2), entry("plain", START_S + 120.0, 2)

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await until(s, START_S + 60.0)
        assert s.snapshot.band == "10 GHz" and s.snapshot.tx_allowed
        assert s.snapshot.agenda is not None and s.snapshot.agenda.next is not None
        assert s.snapshot.agenda.next.waits_for == "front end direct: choose the sked yourself"
        with pytest.raises(NotNowError, match="front end direct"):
            await s.daemon.ask(FollowEntry("agenda", first))
        await until(s, START_S + 165.0)
        await s.daemon.ask(ChooseSked("phone", "plain"))
        await until(s, START_S + 168.0)
        assert s.snapshot.agenda is not None and s.snapshot.agenda.running == second.id
        await until(s, START_S + 243.0)
        (fault,) = (one.text for one in s.snapshot.faults if "agenda" in one.text)
        assert fault.startswith(f"agenda: {first}: missed: waited for front end direct")

    run(tmp_path, ephemeris, scene, first, second)
    missed, done = outcomes(tmp_path)
    assert missed == "missed: waited for front end direct: choose the sked yourself"
    assert done.startswith("followed, on frequency 1 of 2 min")


def test_what_the_operator_does_in_it_stays_also_after_a_restart(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    first = entry("north", START_S, 10)
    session: list[Any] = []

    async def before(s: Stage) -> None:
        await until(s, START_S + 10.0)
        await s.daemon.ask(SetTrim("phone", 30.0))
        await s.daemon.ask(AllowTransmit("phone", True, "10 GHz"))
        await until(s, START_S + 60.0)
        assert s.snapshot.rx_trim_hz == 30.0 and s.snapshot.tx_allowed
        session.append(s.daemon.session)

    async def after(s: Stage) -> None:
        await until(s, START_S + 300.0)
        assert s.daemon.session == session[0]
        await s.daemon.ask(SetSked("phone", NORTH_HZ + 500.0))
        await until(s, START_S + 599.0)
        assert s.snapshot.sked_hz == NORTH_HZ + 500 and s.snapshot.tx_allowed
        await until(s, START_S + 603.0)

    run(tmp_path, ephemeris, before, first)
    run(tmp_path, ephemeris, after, start_utc_s=T0 + START_S + 120.0)
    (outcome,) = outcomes(tmp_path)
    assert outcome.startswith("followed, on frequency 3 of 10 min; else mostly: another choice")


def test_a_sked_chosen_before_it_begins_keeps_trims_and_permission(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.daemon.ask(ChooseSked("phone", "north"))
        await s.daemon.ask(SetTrim("phone", 30.0))
        s.radio.key(True)
        await until(s, START_S + 50.0)
        assert s.snapshot.rx_trim_hz == 30.0 and s.snapshot.tx_allowed and s.radio.transmitting
        s.radio.key(False)
        await until(s, START_S + 63.0)

    run(tmp_path, ephemeris, scene, entry("north", START_S, 1))
    assert outcomes(tmp_path) == ["followed, on frequency 1 of 1 min"]


def test_paused_it_waits(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def scene(s: Stage) -> None:
        await s.daemon.ask(Correct("phone", False))
        await until(s, START_S + 75.0)
        assert s.snapshot.sked == "" and s.snapshot.tx_allowed
        await s.daemon.ask(Correct("phone", True))
        await until(s, START_S + 123.0)
        assert s.snapshot.sked == "north" and not s.snapshot.tx_allowed

    run(tmp_path, ephemeris, scene, entry("north", START_S, 2))
    assert outcomes(tmp_path)[0].startswith("followed, on frequency 1 of 2 min; else mostly: waite")


def test_a_radio_that_is_lost_is_the_reason(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        s.radio.change(silent=True)
        await until(s, START_S + 123.0)

    run(tmp_path, ephemeris, scene, entry("north", START_S, 2))
    (outcome,) = outcomes(tmp_path)
    assert outcome.startswith("missed: no contact with radio (")


def test_behind_a_hill_that_came_later(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def scene(s: Stage) -> None:
        await until(s, START_S + 123.0)
        assert s.snapshot.faults

    hill = {"equipment": {"horizon": [[0.0, 85.0], [180.0, 85.0]]}}
    run(tmp_path, ephemeris, scene, entry("north", START_S, 2), tables=hill)
    (outcome,) = outcomes(tmp_path)
    assert outcome.startswith("missed: Moon too low (Moon at ")
    assert "minimum 85.0 degrees" in outcome


def test_adding_to_a_running_daemon_moves_no_dial(tmp_path: Path, ephemeris: Ephemeris) -> None:
    first, second = entry("north", START_S, 1), entry("echoes", START_S + 600.0, 1)

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.daemon.ask(AddToAgenda("phone", (second,)))
        await s.steady(5)
        assert s.snapshot.agenda is not None and len(s.snapshot.agenda.entries) == 2
        assert s.daemon.session.tx_allowed

    run(tmp_path, ephemeris, scene, first)


# --- a month --------------------------------------------------------------------------------------

DAY_S = 86400.0


def test_a_month_with_a_daemon_that_does_not_always_run(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """An entry a day at the same hour, thirty days on end: the Moon is up for some and down for
    others, and the daemon runs on two days of three."""
    entries = [entry("north", START_S + day * DAY_S, 2) for day in range(30)]
    running = [day for day in range(30) if day % 3 != 2]
    faults: dict[int, list[str]] = {}

    for day in running:

        async def scene(s: Stage, day: int = day) -> None:
            await until(s, day * DAY_S + START_S + 10.0)
            assert s.snapshot.sked == "north" and not s.snapshot.tx_allowed
            await until(s, day * DAY_S + START_S + 123.0)
            faults[day] = [one.text for one in s.snapshot.faults if "agenda" in one.text]

        first = entries if day == 0 else []
        run(tmp_path, ephemeris, scene, *first, start_utc_s=T0 + day * DAY_S)
        assert stored_session(tmp_path, STATION)[0].tx_allowed is False, "once inhibited"
    said = [text for texts in faults.values() for text in texts]
    for day, one in enumerate(entries[:-1]):
        about = [text for text in said if str(one) in text]
        settled = [
            what for what, _ in commands_of_the_agenda(tmp_path) if f"agenda: {one}: " in what
        ]
        assert len(settled) == 1
        if day % 3 == 2:
            assert about == [f"agenda: {one}: missed: daemon not running"]
        elif "followed, on frequency 2 of 2 min" in settled[0]:
            assert about == []
        else:
            (text,) = about
            assert "missed: Moon too low (" in text
    on_frequency = [
        what
        for what, _ in commands_of_the_agenda(tmp_path)
        if what.endswith("followed, on frequency 2 of 2 min")
    ]
    assert 3 <= len(on_frequency) <= len(running) - 3, "the month has both"
    assert (tmp_path / JOURNAL).exists()
