"""A month of the agenda, followed beside a daemon that only applies commands: second by second in
the entries, so that every rule meets every other."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from moontrim.agenda.follower import Follower
from moontrim.clock.virtual import VirtualClock
from moontrim.errors import BusyError, MoontrimError
from moontrim.session.agenda import AgendaEntry
from moontrim.session.agendacommands import FollowEntry, RemoveFromAgenda, SettleEntry
from moontrim.session.commands import AllowTransmit, Command, Correct, SetTrim
from moontrim.session.session import Session
from moontrim.session.skeds import ChooseSked
from moontrim.state.agendaview import AgendaView
from moontrim.state.hub import StateHub
from moontrim.state.snapshot import Tracking
from moontrim.tracking.inbox import StationFault
from support.agendas import STATION, minutes, with_agenda
from support.journals import snapshot

T0 = 1_795_000_000.0
DAY_S = 86400.0
DURATION_MIN = 10
LOW = "Moon at 3.0 degrees at home, minimum 15.0 degrees"


class Desk:
    """The parts of a daemon that the follower uses, and the time."""

    def __init__(self, session: Session) -> None:
        self.clock = VirtualClock(T0)
        self.hub = StateHub()
        self.session, self.settings = session, STATION
        self.transmitting = SimpleNamespace(in_over=lambda: self.keyed)
        self.inbox = SimpleNamespace(post=self._post)
        self.keyed = self.busy = False
        self.tracking, self.reason = Tracking.ON_FREQUENCY, ""
        self.commands: list[Command] = []
        self.faults: list[str] = []
        self.view: AgendaView | None = None
        self._follower: asyncio.Task[None] | None = None

    def _post(self, item: Any) -> bool:
        if isinstance(item, StationFault):
            self.faults.append(item.text)
        else:
            self.view = item
        return True

    async def ask(self, command: Command) -> Session:
        if self.busy:
            raise BusyError("too many requests at once; try again")
        before = self.session
        self.session = command.apply(before, self.settings)
        self.commands.append(command)
        if isinstance(command, FollowEntry | SettleEntry):
            assert command.source == "agenda"
            assert before.tx_allowed or not self.session.tx_allowed, "permitted by the agenda"
        return self.session

    def by_hand(self, *commands: Command) -> None:
        for command in commands:
            self.session = command.apply(self.session, self.settings)

    def start(self) -> None:
        """Starts the daemon, which has kept the session on its disk and nothing else."""
        self.session = Session.model_validate_json(self.session.model_dump_json())
        self._follower = asyncio.create_task(Follower().run(self))  # type: ignore[arg-type]

    async def stop(self) -> None:
        assert self._follower is not None
        self._follower.cancel()
        await asyncio.gather(self._follower, return_exceptions=True)
        self._follower = None
        self.hub.latest = None

    async def second(self) -> None:
        """Lets a second pass, with a snapshot at its end if the daemon runs."""
        await self.clock.sleep(1.0)
        if self._follower is None:
            return
        now = snapshot(0, 1)._replace(
            utc_s=self.clock.utc_s(), tracking=self.tracking, reason=self.reason
        )
        self.hub.publish(now)
        for _ in range(20):  # until the follower has done what it does at a snapshot
            await asyncio.sleep(0)
        assert not self._follower.done()

    async def until(self, utc_s: float) -> None:
        while self.clock.utc_s() < utc_s:
            await self.second()


def entry_of(day: int, sked: str = "north") -> AgendaEntry:
    return minutes(sked, T0 + day * DAY_S + 100.0, DURATION_MIN)


def outcomes(desk: Desk) -> dict[str, str]:
    """What became of entries, by their texts, from the commands (the agenda itself forgets)."""
    return {
        str(command.entry): command.outcome
        for command in desk.commands
        if isinstance(command, SettleEntry)
    }


# By day: what is different from a day on which all is well, and the outcome.
WELL = "followed, on frequency 10 of 10 min"
MONTH: dict[int, tuple[str, str]] = {
    1: ("lost radio", "missed: no contact with radio (no reply)"),
    2: ("radio lost for half of it", "followed, on frequency 5 of 10 min; else mostly: no contact"),
    3: ("keyed at the start", "followed, on frequency 8 of 10 min; else mostly: waited for the en"),
    4: ("keyed throughout", "missed: waited for the end of the over"),
    5: ("another front end", "missed: waited for front end direct: choose the sked yourself"),
    6: ("another front end, chosen by hand", "followed, on frequency 7 of 10 min; else mostly: w"),
    7: ("behind a hill", f"missed: Moon too low ({LOW})"),
    8: ("restart in it", "followed, on frequency 3 of 10 min; else mostly: daemon not running"),
    9: ("stopped", "missed: daemon not running"),
    10: ("stopped", "missed: daemon not running"),
    11: ("stopped", "missed: daemon not running"),
    12: ("paused", "missed: waited for the correction, which is paused"),
    13: ("paused for a while", "followed, on frequency 6 of 10 min; else mostly: waited for the c"),
    14: ("another choice by hand", "followed, on frequency 5 of 10 min; else mostly: another choi"),
    15: ("chosen and allowed by hand", WELL),
    16: ("stopped at its end", "followed, then daemon not running"),
    17: ("started in it", "followed, on frequency 7 of 10 min; else mostly: daemon not running"),
    18: ("busy at the start", WELL),
    19: ("sked gone", "missed: waited for a sked that can be chosen (sked: invalid value 'gone'"),
}
FRONT_ENDS = {5: "plain", 6: "plain"}


async def day_of(desk: Desk, day: int) -> None:
    """Plays the day of an entry, from a moment before it to a moment after it."""
    what = MONTH.get(day, ("", ""))[0]
    start = T0 + day * DAY_S + 100.0
    middle, end = start + 300.0, start + 600.0
    desk.tracking, desk.reason, desk.keyed = Tracking.ON_FREQUENCY, "", False
    desk.by_hand(ChooseSked("phone", "echoes"), Correct("phone", True))
    desk.by_hand(AllowTransmit("phone", True, "10 GHz"))
    await desk.until(start - 5.0)
    match what:
        case "lost radio":
            desk.tracking, desk.reason = Tracking.NO_CONTACT, "no reply"
        case "radio lost for half of it":
            await desk.until(middle)
            desk.tracking, desk.reason = Tracking.NO_CONTACT, "no reply"
        case "keyed at the start":
            desk.keyed = True
            await desk.until(start + 120.0)
            assert desk.session.sked == "echoes" and desk.session.tx_allowed
            assert desk.view is not None and desk.view.next is not None
            assert desk.view.next.waits_for == "the end of the over"
            desk.keyed = False
        case "keyed throughout":
            desk.keyed = True
        case "another front end, chosen by hand":
            await desk.until(start + 180.0)
            assert desk.session.sked == "echoes"
            desk.by_hand(ChooseSked("phone", "plain"))
        case "behind a hill":
            desk.tracking, desk.reason = Tracking.MOON_TOO_LOW, LOW
        case "restart in it":
            await desk.until(middle)
            desk.by_hand(AllowTransmit("phone", True, "10 GHz"), SetTrim("phone", 25.0))
            before = desk.session
            await desk.stop()
            await desk.until(middle + 120.0)
            desk.start()
            await desk.until(end - 1.0)
            assert desk.session == before, "followed once: what the operator did stays"
        case "paused":
            desk.by_hand(Correct("phone", False))
        case "paused for a while":
            desk.by_hand(Correct("phone", False))
            await desk.until(start + 240.0)
            assert desk.session.sked == "echoes"
            desk.by_hand(Correct("phone", True))
        case "another choice by hand":
            await desk.until(middle)
            desk.by_hand(ChooseSked("phone", "echoes"))
            await desk.until(end - 1.0)
            assert desk.session.sked == "echoes"
        case "chosen and allowed by hand":
            desk.by_hand(ChooseSked("phone", "north"), SetTrim("phone", 25.0))
            before = desk.session
            await desk.until(end - 1.0)
            assert desk.session.model_copy(update={"followed": before.followed}) == before
        case "stopped at its end":
            await desk.until(middle)
            await desk.stop()
        case "busy at the start":
            desk.busy = True
            await desk.until(start + 10.0)
            desk.busy = False
        case "sked gone":
            gone = tuple(
                one.model_copy(update={"sked": "gone"}) if one.start_utc_s == start else one
                for one in desk.session.agenda
            )
            desk.session = desk.session.model_copy(update={"agenda": gone})
        case "":
            await desk.until(middle)
            assert desk.session.sked == "north" and not desk.session.tx_allowed
            assert desk.view is not None and desk.view.running == entry_of(day).id
    await desk.until(end + 3.0)


async def month(desk: Desk) -> None:
    desk.start()
    for day in range(30):
        start = T0 + day * DAY_S + 100.0
        # The clock jumps to the day: a day without entries in it is the same at any length.
        await desk.clock.sleep(start - 30.0 - desk.clock.utc_s())
        match MONTH.get(day, ("", ""))[0]:
            case "stopped":
                if desk._follower is not None:
                    await desk.stop()
                await desk.until(start + 700.0)
                continue
            case "started in it":
                await desk.until(start + 180.0)
                desk.by_hand(ChooseSked("phone", "echoes"))
                desk.start()
                await desk.until(start + 603.0)
                continue
        if desk._follower is None:
            desk.start()
        await day_of(desk, day)
    await desk.stop()


def test_a_month() -> None:
    entries = [entry_of(day, FRONT_ENDS.get(day, "north")) for day in range(30)]
    desk = Desk(with_agenda(*entries))
    desk.clock.run(month(desk))
    became = {text.split(", ")[1]: outcome for text, outcome in outcomes(desk).items()}
    assert len(became) == 30
    for day, entry in enumerate(entries):
        expected = MONTH.get(day, ("", WELL))[1]
        outcome = became[str(entry).split(", ")[1]]
        assert outcome.startswith(expected), (day, outcome)
    missed = [outcome for outcome in became.values() if outcome.startswith("missed")]
    assert len(desk.faults) == len(missed) == 9
    assert all(fault.startswith("agenda: ") and ": missed: " in fault for fault in desk.faults)
    followed = [command for command in desk.commands if isinstance(command, FollowEntry)]
    assert len(followed) == 30 - 7, "one that was lost or behind a hill was followed all the same"
    assert len(desk.session.agenda) <= 9, "outcomes are there for a week"


# --- one rule each ------------------------------------------------------------------------------


def play(scene: Callable[[Desk], Any], *entries: AgendaEntry) -> Desk:
    desk = Desk(with_agenda(*entries))

    async def main() -> None:
        desk.start()
        await scene(desk)
        await desk.stop()

    desk.clock.run(main())
    return desk


def test_removed_while_it_waits_or_runs() -> None:
    first, second = minutes("north", T0 + 10, 5), minutes("plain", T0 + 310, 5)

    async def scene(desk: Desk) -> None:
        await desk.until(T0 + 60.0)
        desk.by_hand(RemoveFromAgenda("phone", (first.id,)))
        await desk.until(T0 + 400.0)
        assert desk.view is not None and desk.view.next is not None
        desk.by_hand(RemoveFromAgenda("phone", (second.id,)))
        await desk.until(T0 + 700.0)
        assert desk.view == AgendaView()

    desk = play(scene, first, second)
    assert desk.faults == [] and outcomes(desk) == {}
    assert desk.session.sked == "north", "what was chosen stays chosen"


def test_an_entry_that_cannot_be_chosen_is_not_asked_for_every_second() -> None:
    async def refuse(command: Command) -> Session:
        asked.append(command)
        raise MoontrimError("never")

    asked: list[Command] = []

    async def scene(desk: Desk) -> None:
        desk.session = desk.session.model_copy(
            update={
                "agenda": tuple(
                    one.model_copy(update={"sked": "gone"}) for one in desk.session.agenda
                )
            }
        )
        desk.ask = refuse  # type: ignore[method-assign]
        await desk.until(T0 + 200.0)
        assert desk.view is not None and desk.view.next is not None
        assert "'gone'" in desk.view.next.waits_for

    play(scene, minutes("north", T0 + 10, 10))
    assert asked == []


def test_a_program_error_is_logged_and_the_agenda_goes_on(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: Any) -> Any:
        raise RuntimeError("deliberate")

    async def scene(desk: Desk) -> None:
        with monkeypatch.context() as patch:
            patch.setattr("moontrim.agenda.follower.present", fail)
            await desk.until(T0 + 30.0)
        await desk.until(T0 + 200.0)
        assert desk.session.sked == "north"

    play(scene, minutes("north", T0 + 10, 10))
    assert caplog.text.count("agenda not followed for a minute") == 1
