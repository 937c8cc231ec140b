"""When an entry of the agenda is followed, and what became of it. Pure: knows instants, the session
and snapshots.

    before its start   next
    from then on       followed as soon as nothing hinders; until then it waits, and says for what
    at its end         settled: followed or missed, with the reason"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

from moontrim.config.settings import Settings
from moontrim.config.sked import sked_named
from moontrim.errors import InputError
from moontrim.session.agenda import AgendaEntry
from moontrim.session.agendacommands import is_chosen, other_front_end
from moontrim.session.session import Session
from moontrim.session.skeds import all_skeds, find_sked
from moontrim.state.agendaview import AgendaView, EntryView, NextEntry
from moontrim.state.snapshot import Snapshot, Tracking

LONGEST_GAP_S = 2.5  # chosen: snapshots come every second; what is longer was not observed
NOT_RUNNING = "daemon not running"
OTHER_SKED = "another choice by hand"
ON_FREQUENCY = (Tracking.ON_FREQUENCY, Tracking.HELD_KEYED)
MINUTE_S = 60.0


def over(session: Session, utc_s: float) -> list[AgendaEntry]:
    """Returns the entries that are over and not settled, in order of time."""
    return [one for one in _open(session) if one.end_utc_s <= utc_s]


def present(session: Session, utc_s: float) -> AgendaEntry | None:
    """Returns the entry of this instant, followed or not; None if there is none."""
    return next((one for one in _open(session) if _lasts(one, utc_s)), None)


def upcoming(session: Session, utc_s: float) -> AgendaEntry | None:
    """Returns the first entry that is not over and has not been followed; None if there is none."""
    return next(
        (one for one in _open(session) if one.end_utc_s > utc_s and one.id != session.followed),
        None,
    )


def waits_for(session: Session, settings: Settings, entry: AgendaEntry, *, in_over: bool) -> str:
    """Returns what an entry that has begun waits for; empty if it can be followed now. in_over:
    whether the radio transmits, or is being keyed, by anyone."""
    try:
        sked = find_sked(session, settings, entry.sked)
        if is_chosen(session, sked):
            return ""
        if front_end := other_front_end(session, settings, sked):
            return f"front end {front_end}: choose the sked yourself"
    except InputError as error:
        return f"a sked that can be chosen ({error})"
    if not session.correcting:
        return "the correction, which is paused"
    return "the end of the over" if in_over else ""


def view_of(
    session: Session,
    settings: Settings,
    utc_s: float,
    waiting: str,
    spread_hz: Mapping[str, float | None],
) -> AgendaView:
    """Returns the agenda at an instant. waiting: what an entry that has begun waits for. spread_hz:
    by id, as far as known."""
    skeds = all_skeds(session, settings)

    def band(entry: AgendaEntry) -> str:
        sked = sked_named(skeds, entry.sked)
        return "" if sked is None else sked.band

    coming, now = upcoming(session, utc_s), present(session, utc_s)
    return AgendaView(
        tuple(
            EntryView(one.id, one.sked, band(one), one.start_utc_s, one.end_utc_s, one.outcome)
            for one in session.agenda
        ),
        None
        if coming is None
        else NextEntry(
            coming.id,
            coming.sked,
            band(coming),
            coming.start_utc_s,
            coming.end_utc_s,
            spread_hz.get(coming.id),
            waiting if _lasts(coming, utc_s) else "",
        ),
        now.id if now is not None and now.id == session.followed else "",
    )


class Tally:
    """How the time of an entry was spent, from the snapshots in it."""

    def __init__(self, entry: AgendaEntry) -> None:
        self._entry = entry
        self._last_utc_s: float | None = None
        self._on_frequency_s = 0.0
        self._otherwise_s: defaultdict[Tracking | str, float] = defaultdict(float)
        self._reasons: dict[Tracking | str, str] = {}

    def add(self, now: Snapshot, otherwise: str = "") -> None:
        """Counts the time since the last snapshot. otherwise: why the entry is not followed now;
        empty if it is."""
        last_utc_s, self._last_utc_s = self._last_utc_s, now.utc_s
        if last_utc_s is None:
            last_utc_s = max(self._entry.start_utc_s, now.utc_s - 1.0)
        passed_s = now.utc_s - last_utc_s
        if not 0.0 < passed_s <= LONGEST_GAP_S:
            return
        if not otherwise and now.tracking in ON_FREQUENCY:
            self._on_frequency_s += passed_s
            return
        why = otherwise or now.tracking
        self._otherwise_s[why] += passed_s
        self._reasons[why] = "" if otherwise else now.reason

    def outcome(self, *, followed: bool, waited_for: str) -> str:
        """Returns what became of the entry, which is over. waited_for: what it waited for last,
        where it was not followed."""
        duration_s = self._entry.end_utc_s - self._entry.start_utc_s
        observed_s = self._on_frequency_s + sum(self._otherwise_s.values())
        if observed_s <= 0.0:
            return f"followed, then {NOT_RUNNING}" if followed else f"missed: {NOT_RUNNING}"
        if not followed:
            return f"missed: waited for {waited_for}"
        if duration_s - observed_s > MINUTE_S:
            self._otherwise_s[NOT_RUNNING] = duration_s - observed_s
        mostly = max(self._otherwise_s, key=self._otherwise_s.__getitem__, default="")
        if self._on_frequency_s <= 0.0:
            return f"missed: {self._text(mostly)}"
        text = (
            f"followed, on frequency {self._on_frequency_s / MINUTE_S:.0f} of "
            f"{duration_s / MINUTE_S:.0f} min"
        )
        if duration_s - self._on_frequency_s > MINUTE_S:
            text += f"; else mostly: {self._text(mostly)}"
        return text

    def _text(self, why: Tracking | str) -> str:
        reason = self._reasons.get(why, "")
        return f"{why} ({reason})" if reason else str(why)


def outcome_of(entry: AgendaEntry, tally: Tally | None, *, followed: bool, waited_for: str) -> str:
    """Returns what became of an entry that is over. tally: None: the daemon did not run in it."""
    return (tally or Tally(entry)).outcome(followed=followed, waited_for=waited_for)


def _open(session: Session) -> list[AgendaEntry]:
    unsettled = (entry for entry in session.agenda if not entry.outcome)
    return sorted(unsettled, key=lambda one: one.start_utc_s)


def _lasts(entry: AgendaEntry, utc_s: float) -> bool:
    return entry.start_utc_s <= utc_s < entry.end_utc_s
