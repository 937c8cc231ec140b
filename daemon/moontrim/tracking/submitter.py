"""From plans to the rig link: plans each stretch of time and submits it, or has the link let go."""

from __future__ import annotations

import math
from collections.abc import Callable

from moontrim.clock.system import Clock
from moontrim.errors import CoverageError
from moontrim.rig.link import RigLink
from moontrim.session.current import CurrentSession
from moontrim.state.assessment import Hindrances
from moontrim.tracking.handondial import TurnedDial
from moontrim.tracking.planning import Planning
from moontrim.tracking.record import TrackingRecord
from moontrim.tuning.steps import Plan


class PlanSubmitter:
    """Submits plans to the rig link without waiting for the radio.

    While the correction is paused, the dial is left alone or the Doppler is not available, it
    withdraws what the link has not carried out yet. about_to_transmit: is the one dial of
    a radio without split to be where it transmits?"""

    def __init__(
        self,
        clock: Clock,
        current: CurrentSession,
        planning: Planning,
        link: RigLink,
        turned: TurnedDial,
        record: TrackingRecord,
        about_to_transmit: Callable[[], bool],
    ) -> None:
        self.plan: Plan | None = None
        self._clock = clock
        self._current = current
        self._planning = planning
        self._link = link
        self._turned = turned
        self._record = record
        self._about_to_transmit = about_to_transmit
        self._planned_to_transmit = False
        self._planned_to_utc_s = 0.0
        self._no_doppler = ""

    def plan_second(self, second: int) -> None:
        """Plans this second of UTC. Where nothing is planned up to it (start, late tick, step of
        the clock) the plan begins now, not later."""
        planned = abs(self._planned_to_utc_s - second) < 0.5
        begin_utc_s = float(second) if planned else self._clock.utc_s()
        self._plan_to(max(float(second), begin_utc_s), second + 1.0, at_once=False)

    def replan(self) -> None:
        """Something changed: plans afresh from now to the end of what is already planned."""
        now_utc_s = self._clock.utc_s()
        end_utc_s = max(self._planned_to_utc_s, math.floor(now_utc_s) + 1.0)
        self._plan_to(now_utc_s, end_utc_s, at_once=True)

    def clock_stepped(self) -> None:
        """Nothing counts as planned by the new time."""
        self._planned_to_utc_s = 0.0
        self._planning.sent.forget()

    def observe(self) -> None:
        """Takes note of what the radio transmits: our own echo comes from it."""
        self._planning.observe(self._clock.utc_s(), self._link.view)

    def transmit_changed(self) -> bool:
        """Returns whether the radio is to transmit, or not to, unlike when it was last planned."""
        return self._planned_to_transmit != self._about_to_transmit()

    def hindrances(self) -> Hindrances:
        """Returns what keeps plans from the radio just now."""
        return Hindrances(
            paused=not self._current.session.correcting,
            dial_in_use=self._dial_in_use(),
            other_program=self._turned.other.reason,
            not_followed=self._turned.not_followed,
            no_doppler=self._no_doppler,
            moon=self._moon_problem(),
        )

    def _moon_problem(self) -> str:
        try:
            return self._planning.moon_too_low(self._clock.utc_s())
        except CoverageError:
            return ""  # without Doppler, which is shown first

    def _plan_to(self, start_utc_s: float, end_utc_s: float, *, at_once: bool) -> None:
        self._planned_to_utc_s = end_utc_s
        at_once = at_once or start_utc_s != math.floor(start_utc_s)
        self._planned_to_transmit = self._about_to_transmit()
        try:
            self.plan = self._planning.plan(
                self._link.view, start_utc_s, end_utc_s, about_to_transmit=self._planned_to_transmit
            )
        except CoverageError as error:
            if not self._no_doppler:
                self._record.fault(str(error))
            self._no_doppler = str(error)
            self.plan = None
            # What still waits for its instant would be taken whenever the clock is put right.
            self._link.withdraw()
            return
        self._no_doppler = ""
        if self._current.session.correcting and not self._left_alone():
            self._link.submit(self.plan, at_once=at_once)
        else:
            self._link.withdraw()

    def _left_alone(self) -> bool:
        other = self._turned.other.left_alone(self._clock.monotonic_s())
        return other or self._dial_in_use() or bool(self._turned.not_followed)

    def _dial_in_use(self) -> bool:
        return self._turned.in_use(self._clock.monotonic_s())
