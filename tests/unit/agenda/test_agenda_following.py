"""When an entry is followed, what it waits for, and what became of it."""

from __future__ import annotations

from typing import Any

import pytest

from moontrim.agenda.following import (
    Tally,
    outcome_of,
    over,
    present,
    upcoming,
    view_of,
    waits_for,
)
from moontrim.session.agenda import AgendaEntry
from moontrim.session.agendacommands import FollowEntry, SettleEntry
from moontrim.session.commands import Command, Correct, SetBand
from moontrim.session.session import Session
from moontrim.session.skeds import ChooseSked
from moontrim.state.agendaview import AgendaView, EntryView, NextEntry
from moontrim.state.snapshot import Snapshot, Tracking
from support.agendas import STATION, minutes, with_agenda
from support.journals import snapshot

T0 = 1_795_000_000.0
NORTH = minutes("north", T0, 10)
ECHOES = minutes("echoes", T0 + 600.0, 10)
PLAIN = minutes("plain", T0, 10)


def after(session: Session, *commands: Command) -> Session:
    for command in commands:
        session = command.apply(session, STATION)
    return session


@pytest.mark.parametrize(
    ("at_s", "is_over", "now", "coming"),
    [
        (-1.0, [], None, NORTH),
        (0.0, [], NORTH, NORTH),
        (599.9, [], NORTH, NORTH),
        (600.0, [NORTH], ECHOES, ECHOES),
        (1200.0, [NORTH, ECHOES], None, None),
    ],
)
def test_instants(
    at_s: float, is_over: list[AgendaEntry], now: AgendaEntry | None, coming: AgendaEntry | None
) -> None:
    session = with_agenda(ECHOES, NORTH)
    assert over(session, T0 + at_s) == is_over
    assert present(session, T0 + at_s) == now
    assert upcoming(session, T0 + at_s) == coming


def test_what_is_followed_or_settled_does_not_come_again() -> None:
    session = after(with_agenda(NORTH, ECHOES), FollowEntry("agenda", NORTH))
    assert present(session, T0) == NORTH and upcoming(session, T0) == ECHOES
    settled = after(session, SettleEntry("agenda", NORTH, "missed: x"))
    assert present(settled, T0) is None and over(settled, T0 + 600.0) == []


@pytest.mark.parametrize(
    ("entry", "commands", "in_over", "reason"),
    [
        (NORTH, (), False, ""),
        (NORTH, (), True, "the end of the over"),
        (NORTH, (Correct("t", False),), False, "the correction, which is paused"),
        (NORTH, (Correct("t", False),), True, "the correction, which is paused"),
        (ECHOES, (), False, ""),
        (PLAIN, (), False, "front end direct: choose the sked yourself"),
        (PLAIN, (), True, "front end direct: choose the sked yourself"),
        (NORTH, (SetBand("t", "144 MHz"),), False, "front end 10 GHz: choose the sked yourself"),
        (NORTH, (ChooseSked("t", "north"), Correct("t", False)), True, ""),
        (PLAIN, (ChooseSked("t", "plain"),), True, ""),
    ],
)
def test_what_it_waits_for(
    entry: AgendaEntry, commands: tuple[Command, ...], in_over: bool, reason: str
) -> None:
    session = after(with_agenda(entry), *commands)
    assert waits_for(session, STATION, entry, in_over=in_over) == reason


def test_a_sked_that_the_config_has_no_more() -> None:
    gone = NORTH.model_copy(update={"sked": "gone"})
    waiting = waits_for(with_agenda(), STATION, gone, in_over=False)
    assert waiting.startswith("a sked that can be chosen (sked: invalid value 'gone'; expected ")


# --- outcome ----------------------------------------------------------------------------------


def at(utc_s: float, tracking: Tracking = Tracking.ON_FREQUENCY, reason: str = "") -> Snapshot:
    return snapshot(0, 1)._replace(utc_s=utc_s, tracking=tracking, reason=reason)


LOST = (Tracking.NO_CONTACT, "no reply")
LOW = (Tracking.MOON_TOO_LOW, "Moon at 3.0 degrees at home, minimum 5.0 degrees")


@pytest.mark.parametrize(
    ("seconds", "followed", "waited_for", "outcome"),
    [
        ([], False, "", "missed: daemon not running"),
        ([], True, "", "followed, then daemon not running"),
        ([(0, 600, Tracking.ON_FREQUENCY, "")], True, "", "followed, on frequency 10 of 10 min"),
        ([(0, 600, Tracking.HELD_KEYED, "")], True, "", "followed, on frequency 10 of 10 min"),
        (
            [(0, 300, Tracking.ON_FREQUENCY, ""), (300, 600, *LOST)],
            True,
            "",
            "followed, on frequency 5 of 10 min; else mostly: no contact with radio (no reply)",
        ),
        (
            [(0, 240, *LOW), (240, 360, *LOST), (360, 600, Tracking.ON_FREQUENCY, "")],
            True,
            "",
            "followed, on frequency 4 of 10 min; else mostly: Moon too low "
            "(Moon at 3.0 degrees at home, minimum 5.0 degrees)",
        ),
        ([(0, 600, *LOST)], True, "", "missed: no contact with radio (no reply)"),
        (
            [(0, 600, *LOW)],
            True,
            "",
            "missed: Moon too low (Moon at 3.0 degrees at home, minimum 5.0 degrees)",
        ),
        ([(0, 600, Tracking.PAUSED, "")], True, "", "missed: paused"),
        (
            [(420, 600, Tracking.ON_FREQUENCY, "")],
            True,
            "",
            "followed, on frequency 3 of 10 min; else mostly: daemon not running",
        ),
        (
            [(0, 600, Tracking.ON_FREQUENCY, "")],
            False,
            "the end of the over",
            "missed: waited for the end of the over",
        ),
    ],
)
def test_what_became_of_it(
    seconds: list[tuple[int, int, Tracking, str]], followed: bool, waited_for: str, outcome: str
) -> None:
    tally = Tally(NORTH)
    for first, end, tracking, reason in seconds:
        for second in range(first, end):
            tally.add(at(T0 + second + 0.7, tracking, reason))
    assert tally.outcome(followed=followed, waited_for=waited_for) == outcome


def test_the_time_before_it_was_followed_is_another_reason() -> None:
    tally = Tally(NORTH)
    for second in range(600):
        waiting = "waited for the end of the over" if second < 400 else ""
        tally.add(at(T0 + second + 0.7), waiting)
    assert tally.outcome(followed=True, waited_for="") == (
        "followed, on frequency 3 of 10 min; else mostly: waited for the end of the over"
    )


def test_what_was_not_observed_does_not_count() -> None:
    tally = Tally(NORTH)
    for second in (0, 1, 2, 300, 301, 301, 299, 302):
        tally.add(at(T0 + second + 0.7))
    assert tally.outcome(followed=True, waited_for="").startswith("followed, on frequency 0 of 10")


def test_the_daemon_did_not_run() -> None:
    assert outcome_of(NORTH, None, followed=False, waited_for="") == "missed: daemon not running"


# --- view -------------------------------------------------------------------------------------


def view(session: Session, at_s: float, waiting: str = "") -> AgendaView:
    return view_of(session, STATION, T0 + at_s, waiting, {NORTH.id: 2.0})


def test_the_view() -> None:
    session = with_agenda(NORTH, ECHOES)
    north: Any = (NORTH.id, "north", "10 GHz", T0, T0 + 600.0)
    echoes: Any = (ECHOES.id, "echoes", "432 MHz", T0 + 600.0, T0 + 1200.0)
    entries = (EntryView(*north), EntryView(*echoes))
    assert view(session, -60.0, "an over") == AgendaView(entries, NextEntry(*north, 2.0), "")
    waiting = NextEntry(*north, 2.0, "an over")
    assert view(session, 60.0, "an over") == AgendaView(entries, waiting, "")
    followed = after(session, FollowEntry("agenda", NORTH))
    assert view(followed, 60.0) == AgendaView(entries, NextEntry(*echoes), NORTH.id)
    settled = after(followed, SettleEntry("agenda", NORTH, "missed: x"))
    entries = (EntryView(*north, "missed: x"), EntryView(*echoes))
    assert view(settled, 600.0) == AgendaView(entries, NextEntry(*echoes), "")
    assert view(settled, 1200.0).next is None


def test_an_entry_of_a_sked_that_is_gone_is_shown() -> None:
    session = with_agenda(NORTH)
    gone = session.agenda[0].model_copy(update={"sked": "gone"})
    shown = view(session.model_copy(update={"agenda": (gone,)}), 0.0)
    assert shown.entries[0].band == ""
    assert shown.next is not None and shown.next.sked == "gone"
