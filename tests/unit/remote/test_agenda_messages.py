"""The agenda as phones and programs get it, and the requests of `moontrim agenda`."""

from __future__ import annotations

from typing import Any

import pytest

from moontrim.remote.commands.agendacommand import ADD, REMOVE, read_agenda_command
from moontrim.remote.commands.payload import LARGEST_BYTES as LARGEST_COMMAND
from moontrim.remote.commands.payload import Refusal
from moontrim.remote.published.agendalist import LARGEST_AGENDA_BYTES, entry_list
from moontrim.remote.published.messages import encode, state
from moontrim.remote.published.skedlist import LARGEST, listed, sked_list
from moontrim.session.agenda import new_entry
from moontrim.session.agendacommands import AddToAgenda, RemoveFromAgenda
from moontrim.state.agendaview import AgendaView, EntryView, NextEntry
from support.agendas import STATION, minutes
from support.journals import snapshot

T0 = 1_795_000_000
NEXT = NextEntry("1", "north", "10 GHz", T0 + 60.0, T0 + 3660.0, 2.0437, "")


def entry(n: int, outcome: str = "", sked: str = "north") -> EntryView:
    return EntryView(f"{n:08x}", sked, "10 GHz", T0 + 60.0 * n, T0 + 60.0 * n + 30.0, outcome)


def test_the_next_entry_is_in_the_state() -> None:
    assert state(snapshot(T0, 1), "boot", 1)["next"] is None
    assert state(snapshot(T0, 1, agenda=AgendaView()), "boot", 1)["next"] is None
    now = snapshot(T0, 1, agenda=AgendaView((entry(1),), NEXT))
    assert state(now, "boot", 1)["next"] == {
        "sked": "north",
        "band": "10 GHz",
        "start_ms": 1000 * T0 + 60_000,
        "end_ms": 1000 * T0 + 3_660_000,
        "spread_hz": 2.04,
        "waits_for": "",
    }


def test_the_list_has_the_last_outcomes_and_what_is_to_come() -> None:
    assert entry_list(None) == []
    past = [entry(n, f"missed: {n}") for n in range(30)]
    coming = [entry(n) for n in range(30, 90)]
    shown = entry_list(AgendaView((*past, *coming)))
    assert [one["start_ms"] for one in shown] == [1000 * (T0 + 60 * n) for n in range(20, 50)]
    assert shown[0] == {
        "id": "00000014",
        "sked": "north",
        "band": "10 GHz",
        "start_ms": 1000 * (T0 + 1200),
        "end_ms": 1000 * (T0 + 1230),
        "outcome": "missed: 20",
    }


@pytest.mark.parametrize("sked", ["north", "\u6708" * 40])
def test_the_message_is_never_too_long(sked: str) -> None:
    outcome = "missed: Moon too low (Moon at 3.0 degrees at home, minimum 5.0 degrees)"
    entries = tuple(entry(n, outcome if n < 250 else "", sked) for n in range(500))
    skeds = tuple(
        STATION.skeds[0].model_copy(update={"name": f"sked {n}", "note": "\u6708" * 200})
        for n in range(100)
    )
    now = snapshot(T0, 1, agenda=AgendaView(entries), skeds=skeds)
    message = sked_list(now)
    assert 5 < len(message["agenda"]) <= 30
    assert len(encode(message["agenda"])) <= LARGEST_AGENDA_BYTES + 2
    assert len(encode(message)) <= LARGEST
    assert message["skeds"] and message["more"] == 100 - len(message["skeds"])


def test_a_change_of_the_agenda_is_published() -> None:
    before = snapshot(T0, 1, agenda=AgendaView((entry(1),), NEXT))
    later = snapshot(T0, 1, agenda=AgendaView((entry(1),), None, "1"))
    changed = snapshot(T0, 1, agenda=AgendaView((entry(1, "missed: x"),)))
    assert listed(before) == listed(later) != listed(changed)


# --- requests -----------------------------------------------------------------------------------


def plain(n: int, sked: str = "north") -> dict[str, Any]:
    return minutes(sked, T0 + 600.0 * n, 10).model_dump(exclude={"outcome"})


def test_requests() -> None:
    added = read_agenda_command(ADD, {"entries": [plain(0), plain(1)]}, "command line")
    assert added is not None and added.needs_confirming == ""
    assert added.command == AddToAgenda(
        "command line", (minutes("north", T0, 10), minutes("north", T0 + 600.0, 10))
    )
    removed = read_agenda_command(REMOVE, {"ids": ["a", "b"]}, "command line")
    assert removed is not None
    assert removed.command == RemoveFromAgenda("command line", ("a", "b"))
    assert read_agenda_command("band", {"band": "10 GHz"}, "command line") is None


def test_ten_entries_fit_into_a_request() -> None:
    """As many as `moontrim agenda` sends at once, with the longest names that there are."""
    from moontrim.cli.agenda import AT_ONCE

    ten = [plain(n, "\u6708" * 40) for n in range(AT_ONCE)]
    assert len(encode({"command": ADD, "entries": ten})) < LARGEST_COMMAND


@pytest.mark.parametrize(
    ("name", "fields"),
    [
        (ADD, {}),
        (ADD, {"entries": "north"}),
        (ADD, {"entries": [{"sked": "north"}]}),
        (ADD, {"entries": [plain(0) | {"id": ""}]}),
        (ADD, {"entries": [plain(0) | {"start_utc_s": float("nan")}]}),
        (ADD, {"entries": [plain(0) | {"more": 1}]}),
        (ADD, {"entries": [plain(0)], "more": 1}),
        (REMOVE, {"ids": [1]}),
        (REMOVE, {"ids": "a"}),
        (REMOVE, {"id": "a"}),
    ],
)
def test_requests_that_are_none(name: str, fields: dict[str, Any]) -> None:
    with pytest.raises(Refusal) as refused:
        read_agenda_command(name, fields, "command line")
    assert refused.value.code == "bad_value" and refused.value.message.startswith(f"{name}: ")


def test_an_entry_that_is_sent_is_the_same_when_read() -> None:
    one = new_entry("north", 1_795_000_000.0, 1_795_000_600.0, "uid@example.org")
    read = read_agenda_command(ADD, {"entries": [one.model_dump(exclude={"outcome"})]}, "x")
    assert read is not None and read.command == AddToAgenda("x", (one,))
