"""Follows the agenda unattended: a companion of the daemon (see `app`), driven by its snapshots.

It changes nothing itself. The tracker, the one writer of the session, applies `FollowEntry` at an
entry's start, which inhibits transmit, and `SettleEntry` at its end; so both are on disk before
they count, and in the journal. An entry that cannot be followed is tried again every second until
its end."""

from __future__ import annotations

import asyncio
import logging
from typing import TYPE_CHECKING

from moontrim.agenda.checks import mean_spread_hz
from moontrim.agenda.following import (
    OTHER_SKED,
    Tally,
    outcome_of,
    over,
    present,
    upcoming,
    view_of,
    waits_for,
)
from moontrim.clock.system import SystemClock
from moontrim.errors import BusyError, InputError, MoontrimError, NotNowError
from moontrim.session.agenda import AgendaEntry
from moontrim.session.agendacommands import FollowEntry, SettleEntry
from moontrim.session.session import Session
from moontrim.session.skeds import find_sked
from moontrim.state.agendaview import AgendaView
from moontrim.state.snapshot import Snapshot
from moontrim.tracking.inbox import StationFault

if TYPE_CHECKING:
    from moontrim.app.daemon import Daemon

log = logging.getLogger(__name__)

BY = "agenda"
AGAIN_S = 1.0  # chosen: between attempts to follow an entry
RETRY_S = 60.0  # chosen: after a program error, which is logged
POLL_S = 0.5  # chosen, in real time: how soon after a change the spread is computed


class Follower:
    """Follows the agenda of one daemon: `run` beside it, and `forecast_spread`, which computes in
    a thread and in real time."""

    def __init__(self) -> None:
        self._tallies: dict[str, Tally] = {}
        self._waiting: dict[str, str] = {}
        self._tried_utc_s = 0.0
        self._refused_for: object = None  # the session for which an entry cannot be followed
        self._view: AgendaView | None = None
        self._spread_hz: dict[str, float | None] = {}

    async def run(self, daemon: Daemon) -> None:
        """Follows the agenda until cancelled."""
        while True:
            try:
                latest = daemon.hub.latest
                while True:
                    if latest is not None:
                        await self._step(daemon, latest)
                    latest = await daemon.hub.next()
            except Exception:
                log.exception("agenda not followed for a minute; the radio is not affected")
            await daemon.clock.sleep(RETRY_S)

    async def forecast_spread(self, daemon: Daemon) -> None:
        """Keeps the spread of the next entry known, until cancelled; not during an over of ours,
        as with the outlook."""
        wall = SystemClock()
        known_for: object = None
        while True:
            await wall.sleep(POLL_S)
            session, settings = daemon.session, daemon.settings
            entry = upcoming(session, daemon.clock.utc_s())
            key = (entry, settings.home, session.skeds)
            keyed = daemon.transmitting.keyer.view.who
            if entry is None or key == known_for or keyed or not settings.home_is_known:
                continue
            known_for = key
            spread_hz = None
            try:
                spread_hz = await asyncio.to_thread(
                    mean_spread_hz,
                    daemon.ephemeris,
                    settings,
                    find_sked(session, settings, entry.sked),
                    entry.start_utc_s,
                    entry.end_utc_s,
                )
            except MoontrimError as error:
                log.debug("no spread of %s: %s", entry, error)
            except Exception:
                log.exception("no spread of %s; the radio is not affected", entry)
            self._spread_hz = {entry.id: spread_hz}

    async def _step(self, daemon: Daemon, now: Snapshot) -> None:
        """Does what the agenda asks for at a snapshot, and publishes the agenda if it changed."""
        for past in over(daemon.session, now.utc_s):  # before another one counts as followed
            await self._settle(daemon, past)
        entry = present(daemon.session, now.utc_s)
        if entry is not None:
            if entry.id != daemon.session.followed:
                await self._follow(daemon, entry, now.utc_s)
            tally = self._tallies.setdefault(entry.id, Tally(entry))
            tally.add(now, self._otherwise(daemon.session, entry))
        self._publish(daemon, now.utc_s, entry)

    def _otherwise(self, session: Session, entry: AgendaEntry) -> str:
        """Returns why an entry is not followed now; empty if it is."""
        if entry.id != session.followed:
            return f"waited for {self._waiting.get(entry.id, 'the daemon')}"
        return "" if session.sked.casefold() == entry.sked.casefold() else OTHER_SKED

    async def _follow(self, daemon: Daemon, entry: AgendaEntry, utc_s: float) -> None:
        session = daemon.session
        waiting = waits_for(session, daemon.settings, entry, in_over=daemon.transmitting.in_over())
        if waiting:
            if self._waiting.get(entry.id) != waiting:
                log.warning("agenda: %s waits for %s", entry, waiting)
            self._waiting[entry.id] = waiting
            return
        if session is self._refused_for or 0.0 <= utc_s - self._tried_utc_s < AGAIN_S:
            return
        self._tried_utc_s = utc_s
        try:
            await daemon.ask(FollowEntry(BY, entry))
        except InputError as error:
            self._refused_for = session
            self._waiting[entry.id] = f"a sked that can be chosen ({error})"
        except (BusyError, NotNowError) as error:
            self._waiting[entry.id] = f"the daemon ({error})"

    async def _settle(self, daemon: Daemon, entry: AgendaEntry) -> None:
        tally, waited_for = self._tallies.get(entry.id), self._waiting.get(entry.id, "")
        followed = entry.id == daemon.session.followed
        outcome = outcome_of(entry, tally, followed=followed, waited_for=waited_for)
        try:
            await daemon.ask(SettleEntry(BY, entry, outcome))
        except InputError:
            pass  # removed meanwhile
        except BusyError:
            return  # at the next snapshot
        else:
            if not outcome.startswith("followed"):
                daemon.inbox.post(StationFault(f"agenda: {entry}: {outcome}"))
        self._tallies.pop(entry.id, None)
        self._waiting.pop(entry.id, None)

    def _publish(self, daemon: Daemon, utc_s: float, entry: AgendaEntry | None) -> None:
        waiting = "" if entry is None else self._waiting.get(entry.id, "")
        view = view_of(daemon.session, daemon.settings, utc_s, waiting, self._spread_hz)
        if view != self._view and daemon.inbox.post(view):
            self._view = view
