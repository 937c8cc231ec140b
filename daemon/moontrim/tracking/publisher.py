"""Builds snapshots of everything an operator may want to see, and publishes them."""

from __future__ import annotations

import math
from collections.abc import Callable

from moontrim.clock.system import Clock
from moontrim.errors import CoverageError
from moontrim.rig.link import RigLink
from moontrim.state.assessment import Hindrances, assess
from moontrim.state.hub import StateHub
from moontrim.state.snapshot import Snapshot, Surroundings, Tracking, TransmitView
from moontrim.tracking.planning import Planning
from moontrim.tracking.record import TrackingRecord
from moontrim.tuning.steps import Plan


class Publisher:
    """Publishes to the hub, the state's one writer; waits for no reader.

    surroundings: called with the rate of the receive dial's ideal frequency in Hz/s, returns what
    is only passed on. may_transmit: returns what stands against transmitting at a snapshot."""

    def __init__(
        self,
        clock: Clock,
        planning: Planning,
        link: RigLink,
        hub: StateHub,
        record: TrackingRecord,
        surroundings: Callable[[float], Surroundings],
        may_transmit: Callable[[Snapshot], TransmitView],
    ) -> None:
        self._clock = clock
        self._planning = planning
        self._link = link
        self._hub = hub
        self._record = record
        self._surroundings = surroundings
        self._may_transmit = may_transmit
        self._news = False  # is there something that readers do not know of yet?

    def publish_news(self, plan: Plan | None, hindrances: Hindrances, *, news: bool) -> None:
        """Publishes if there is something new, now or from before. A dial about to move would show
        as off frequency: then the next event or tick says how it is."""
        self._news |= news
        if self._news and not self._link.moving:
            self.publish(plan, hindrances)

    def publish(self, plan: Plan | None, hindrances: Hindrances) -> None:
        """Judges the present instant by this plan and publishes it."""
        now_utc_s = self._clock.utc_s()
        selection, record, link = self._planning.selection(), self._record, self._link.view
        session, choices = selection.session, selection.choices
        verdict = assess(
            now_utc_s,
            plan,
            (selection.band, selection.tx_band),
            selection.uncorrected_hz,
            link,
            hindrances,
        )
        self._news = verdict.tracking is not Tracking.ON_FREQUENCY  # on it, a step is no news
        try:
            moon = self._planning.moon(now_utc_s)
        except CoverageError:
            moon = None  # just after a step of the clock, before the next tick
        around = self._surroundings(verdict.rx.rate_hz_per_s if verdict.rx else math.nan)
        self._pass_on(
            Snapshot(
                utc_s=now_utc_s,
                tracking=verdict.tracking,
                reason=verdict.reason,
                band=session.band,
                sked_hz=choices.sked_hz,
                agreement=session.agreement,
                partner=selection.partner,
                rx_trim_hz=choices.rx_trim_hz,
                tx_trim_hz=choices.tx_trim_hz,
                correcting=session.correcting,
                transmitting=link.rig.transmitting if link.rig else None,
                moon=moon,
                rx=verdict.rx,
                tx=verdict.tx,
                link=link,
                ticks=record.ticks,
                missed_seconds=record.missed_seconds,
                faults=record.faults,
                last_change=record.last_change,
                keying=around.keying,
                tx_allowed=session.tx_allowed,
                outlook=record.outlook,
                agenda=record.agenda,
                clock=around.clock,
                warnings=around.warnings,
                front_end=selection.band_settings.front_end_name,
                front_end_confirmed=session.front_end == selection.band_settings.front_end_name,
                tx_sked_hz=selection.tx_sked_hz,
                over_s=selection.band_settings.over_s,
                sked=session.sked,
                partner_place=selection.partner_place,
                undo_until_utc_s=record.undoing.until_utc_s(self._clock.monotonic_s()),
                skeds=selection.skeds,
                made=selection.made,
                sked_problems=selection.sked_problems,
            )
        )

    def _pass_on(self, now: Snapshot) -> None:
        """Publishes a snapshot with what stands against transmitting."""
        self._hub.publish(now._replace(**self._may_transmit(now)._asdict()))
