"""The commands of the agenda: what they change, and what they refuse by name."""

from __future__ import annotations

from typing import Any

import pytest

from moontrim.errors import InputError, MoontrimError, NotNowError
from moontrim.session.agenda import AgendaEntry, new_entry
from moontrim.session.agendacommands import (
    MOST_ENTRIES,
    OUTCOMES_S,
    AddToAgenda,
    FollowEntry,
    RemoveFromAgenda,
    SettleEntry,
)
from moontrim.session.commands import Command, SetTrim
from moontrim.session.session import Session
from moontrim.session.skeds import ChooseSked
from support.agendas import STATION, minutes, with_agenda

T0 = 1_795_000_000.0
HOUR_S = 3600.0
EVENING = minutes("north", T0, 60)


def after(session: Session, *commands: Command) -> Session:
    for command in commands:
        session = command.apply(session, STATION)
    return session


def refusal(session: Session, command: Command) -> str:
    with pytest.raises(MoontrimError) as refused:
        command.apply(session, STATION)
    return str(refused.value)


def test_entries_are_in_order_of_time_with_the_name_as_in_the_list_of_skeds() -> None:
    later, earlier = minutes("NORTH", T0 + HOUR_S, 10), minutes("Echoes", T0, 60)
    agenda = with_agenda(later, earlier).agenda
    assert [(one.sked, one.start_utc_s) for one in agenda] == [("echoes", T0), ("north", T0 + 3600)]
    assert len({one.id for one in agenda}) == 2


@pytest.mark.parametrize(
    ("entry", "reason"),
    [
        (minutes("west", T0 + HOUR_S, 10), "sked: invalid value 'west'; expected north, echoes"),
        (minutes("north", T0 + HOUR_S, 0), "end: invalid value '2026-11-18T12:06:40Z'; expected "),
        (minutes("north", T0 + HOUR_S, -5), "end: invalid value '2026-11-18T12:01:40Z'; expected "),
        (minutes("north", T0 + HOUR_S, 1441), "at most 24 hours later"),
        (minutes("echoes", T0 - 60.0, 2), "overlaps north, 2026-11-18T11:06:40Z to "),
        (minutes("echoes", T0 + 600.0, 1), "overlaps north, 2026-11-18T11:06:40Z to "),
        (minutes("echoes", T0 - 600.0, 100), "overlaps north, 2026-11-18T11:06:40Z to "),
        (minutes("echoes", T0 + HOUR_S - 1.0, 9), "to 2026-11-18T12:06:40Z"),
    ],
)
def test_what_is_refused_names_the_reason(entry: AgendaEntry, reason: str) -> None:
    session = with_agenda(EVENING)
    assert reason in refusal(session, AddToAgenda("test", (entry,)))
    beside = minutes("echoes", T0 + 5 * HOUR_S, 10)
    assert reason in refusal(session, AddToAgenda("test", (beside, entry))), "all or none"


def test_one_may_end_when_the_next_begins() -> None:
    session = with_agenda(EVENING, minutes("echoes", T0 + HOUR_S, 9), minutes("echoes", T0 - 60, 1))
    assert len(session.agenda) == 3


@pytest.mark.parametrize("utc_s", [-1.0, 1e11, float("nan"), float("inf")])
def test_instants_that_cannot_be(utc_s: float) -> None:
    with pytest.raises(InputError, match="1970"):
        new_entry("north", utc_s, T0)


def test_an_entry_of_the_same_id_takes_its_place_until_it_is_over() -> None:
    moved = EVENING.model_copy(update={"start_utc_s": T0 + 60.0})
    session = after(with_agenda(EVENING), AddToAgenda("test", (moved,)))
    assert session.agenda == (moved,)
    over = after(session, SettleEntry("agenda", moved, "missed: test"))
    assert "over (missed: test)" in refusal(over, AddToAgenda("test", (EVENING,)))


def test_no_more_than_fit() -> None:
    many = tuple(minutes("north", T0 + 60.0 * n, 1) for n in range(MOST_ENTRIES))
    session = with_agenda(*many)
    one_more = minutes("north", T0 - HOUR_S, 1)
    assert "agenda full (500 entries)" in refusal(session, AddToAgenda("test", (one_more,)))
    assert len(after(session, AddToAgenda("test", many[:1])).agenda) == MOST_ENTRIES


def test_removed_by_id_all_or_none() -> None:
    session = with_agenda(EVENING, minutes("echoes", T0 + HOUR_S, 10))
    first, second = session.agenda
    assert "moontrim agenda list" in refusal(session, RemoveFromAgenda("t", (first.id, "nothing")))
    assert after(session, RemoveFromAgenda("t", (first.id,))).agenda == (second,)


def test_an_outcome_is_there_for_a_week() -> None:
    entries = [minutes("north", T0 + day * 86400.0, 60) for day in range(9)]
    session = with_agenda(*entries)
    for entry in entries:
        session = after(session, SettleEntry("agenda", entry, f"missed: {entry.id}"))
    assert [one.outcome for one in session.agenda] == [f"missed: {one.id}" for one in entries[1:]]
    assert session.agenda[-1].end_utc_s - session.agenda[0].end_utc_s == OUTCOMES_S
    waiting = with_agenda(*entries)
    assert len(after(waiting, SettleEntry("agenda", entries[8], "missed: x")).agenda) == 9, (
        "what is not settled stays"
    )


# --- following --------------------------------------------------------------------------------


def test_following_chooses_the_sked_and_inhibits_transmit() -> None:
    session = after(with_agenda(EVENING), FollowEntry("agenda", EVENING))
    assert (session.sked, session.band, session.agreement) == ("north", "10 GHz", "receiver")
    assert session.band_choices(STATION).sked_hz == 10_368_150_000
    assert session.followed == EVENING.id
    assert not session.tx_allowed
    assert session.front_end == "10 GHz", "which is still the one that was confirmed"


def test_another_band_of_the_same_front_end_is_followed_to() -> None:
    echoes = minutes("echoes", T0, 60)
    session = after(with_agenda(echoes), FollowEntry("agenda", echoes))
    assert session.band == "432 MHz"
    assert not session.tx_allowed


def test_another_front_end_is_left_to_the_operator() -> None:
    plain = minutes("plain", T0, 60)
    session = with_agenda(plain)
    with pytest.raises(NotNowError, match="front end direct is another one: choose the sked"):
        FollowEntry("agenda", plain).apply(session, STATION)
    by_hand = after(session, ChooseSked("phone", "plain"), FollowEntry("agenda", plain))
    assert by_hand.followed == plain.id
    assert by_hand.band == "144 MHz"


def test_a_sked_chosen_by_hand_stays_as_it_is() -> None:
    """With its trims, and with transmit allowed by the operator who chose it."""
    session = after(with_agenda(EVENING), ChooseSked("phone", "north"), SetTrim("phone", 30.0))
    followed = after(session, FollowEntry("agenda", EVENING))
    assert followed == session.model_copy(update={"followed": EVENING.id})
    assert followed.tx_allowed


@pytest.mark.parametrize("command", [FollowEntry("a", EVENING), SettleEntry("a", EVENING, "x")])
def test_what_was_removed_is_neither_followed_nor_settled(command: Any) -> None:
    assert "id: invalid value" in refusal(with_agenda(), command)


@pytest.mark.parametrize(
    ("command", "text"),
    [
        (
            AddToAgenda("t", (EVENING,)),
            "add to agenda: north, 2026-11-18T11:06:40Z to 2026-11-18T12:06:40Z",
        ),
        (AddToAgenda("t", (EVENING, EVENING)), "add to agenda: 2 skeds"),
        (RemoveFromAgenda("t", ("a", "b")), "remove from agenda: a, b"),
        (
            FollowEntry("t", EVENING),
            "follow agenda: north, 2026-11-18T11:06:40Z to 2026-11-18T12:06:40Z",
        ),
        (
            SettleEntry("t", EVENING, "missed: x"),
            "agenda: north, 2026-11-18T11:06:40Z to 2026-11-18T12:06:40Z: missed: x",
        ),
    ],
)
def test_in_the_journal(command: Command, text: str) -> None:
    assert str(command) == text
