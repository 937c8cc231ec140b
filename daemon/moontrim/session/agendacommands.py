"""The commands that change the agenda, and the one by which it changes the sked. Pure.

What takes the time or the Moon (an entry that is past or impossible) is checked by `agenda.checks`
before entries are sent."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.config.settings import Settings
from moontrim.config.sked import Sked
from moontrim.errors import InputError, NotNowError
from moontrim.formats import count, iso
from moontrim.session.agenda import AgendaEntry
from moontrim.session.commands import Command
from moontrim.session.session import Session
from moontrim.session.skeds import ChooseSked, find_sked

MOST_ENTRIES = 500  # chosen: more than a year of every window; bounds the session's file
LONGEST_S = 86400.0  # chosen: longer than any window but a polar one
OUTCOMES_S = 7 * 86400.0  # chosen: an outcome can be looked up for a week


@dataclass(frozen=True, slots=True)
class AddToAgenda(Command):
    """Adds entries, all or none. One with the id of another that is not over takes its place.
    Raises InputError for an unknown sked, an end before the start, and an overlap."""

    entries: tuple[AgendaEntry, ...]

    def apply(self, session: Session, settings: Settings) -> Session:
        for entry in self.entries:
            session = with_entry(session, settings, entry)
        return session

    def __str__(self) -> str:
        if len(self.entries) == 1:
            return f"add to agenda: {self.entries[0]}"
        return f"add to agenda: {count(len(self.entries), 'sked')}"


@dataclass(frozen=True, slots=True)
class RemoveFromAgenda(Command):
    """Removes entries by their ids, all or none."""

    ids: tuple[str, ...]

    def apply(self, session: Session, settings: Settings) -> Session:
        for entry_id in self.ids:
            entry_with(session, entry_id)
        remaining = tuple(entry for entry in session.agenda if entry.id not in self.ids)
        return session.model_copy(update={"agenda": remaining})

    def __str__(self) -> str:
        return f"remove from agenda: {', '.join(self.ids)}"


@dataclass(frozen=True, slots=True)
class FollowEntry(Command):
    """Chooses the sked of an entry, unattended. Transmit is inhibited until the operator allows it,
    and another front end is left to the operator. Where the operator has already chosen the sked,
    it only counts as followed.

    entry: as in the agenda."""

    entry: AgendaEntry

    def apply(self, session: Session, settings: Settings) -> Session:
        entry = entry_with(session, self.entry.id)
        sked = find_sked(session, settings, entry.sked)
        followed = {"followed": entry.id}
        if is_chosen(session, sked):
            return session.model_copy(update=followed)
        if front_end := other_front_end(session, settings, sked):
            raise NotNowError(f"front end {front_end} is another one: choose the sked yourself")
        chosen = ChooseSked(self.source, sked.name).apply(session, settings)
        return chosen.model_copy(update=followed | {"tx_allowed": False})

    def __str__(self) -> str:
        return f"follow agenda: {self.entry}"


@dataclass(frozen=True, slots=True)
class SettleEntry(Command):
    """Notes what became of an entry that is over, and drops those that ended OUTCOMES_S before
    it.

    entry: as in the agenda."""

    entry: AgendaEntry
    outcome: str

    def apply(self, session: Session, settings: Settings) -> Session:
        settled = entry_with(session, self.entry.id).model_copy(update={"outcome": self.outcome})
        oldest_utc_s = settled.end_utc_s - OUTCOMES_S
        agenda = tuple(
            settled if entry.id == settled.id else entry
            for entry in session.agenda
            if not (entry.outcome and entry.end_utc_s < oldest_utc_s)
        )
        return session.model_copy(update={"agenda": agenda})

    def __str__(self) -> str:
        return f"agenda: {self.entry}: {self.outcome}"


def with_entry(session: Session, settings: Settings, entry: AgendaEntry) -> Session:
    """Returns a session with one entry more, or with another one of this id. Raises InputError as
    `AddToAgenda` does."""
    sked = find_sked(session, settings, entry.sked)
    if not entry.start_utc_s < entry.end_utc_s <= entry.start_utc_s + LONGEST_S:
        expected = f"after the start, {iso(entry.start_utc_s)}, at most 24 hours later"
        raise InputError("end", iso(entry.end_utc_s), expected)
    others = tuple(other for other in session.agenda if other.id != entry.id)
    over = next((one for one in session.agenda if one.id == entry.id and one.outcome), None)
    if over is not None:
        raise InputError("entry", str(entry), problem=f"{entry}: over ({over.outcome})")
    for other in others:
        if not other.outcome and entry.overlaps(other):
            raise InputError("entry", str(entry), problem=f"{entry}: overlaps {other}")
    if len(others) >= MOST_ENTRIES:
        problem = f"{entry}: agenda full ({MOST_ENTRIES} entries); remove one first"
        raise InputError("entry", str(entry), problem=problem)
    new = entry.model_copy(update={"sked": sked.name, "outcome": ""})
    agenda = sorted((*others, new), key=lambda one: one.start_utc_s)
    return session.model_copy(update={"agenda": tuple(agenda)})


def entry_with(session: Session, entry_id: str) -> AgendaEntry:
    """Returns the entry of an id. Raises InputError."""
    for entry in session.agenda:
        if entry.id == entry_id:
            return entry
    raise InputError("id", entry_id, "the id of an entry; see moontrim agenda list")


def is_chosen(session: Session, sked: Sked) -> bool:
    """Returns whether the sked is the chosen one, with nothing changed since."""
    return session.sked.casefold() == sked.name.casefold()


def other_front_end(session: Session, settings: Settings, sked: Sked) -> str:
    """Returns the front end of a sked where it is not that of the present band; empty if it is."""
    front_end = settings.band(sked.band).front_end_name
    return "" if front_end == session.present_front_end(settings) else front_end
