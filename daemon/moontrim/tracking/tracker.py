"""The 1 Hz loop: plans each second just before it begins, and deals with what comes in between.

    inbox --> Changes ----> session, record
                |
    clock --> Tracker ----> PlanSubmitter --> rig link
                |
                +---------> Publisher -----> hub, from which everybody reads

Everything that wants something (a phone, the dial, the rig link) posts it into one bounded inbox,
which only this loop reads. The loop never waits for the radio, a disk or a reader."""

from __future__ import annotations

import math

from moontrim.clock.system import Clock
from moontrim.rig.view import Updated
from moontrim.timekeeping.clockjumps import ClockWatch
from moontrim.tracking.changes import Changes
from moontrim.tracking.inbox import Inbox, Item
from moontrim.tracking.planning import AHEAD_S
from moontrim.tracking.publisher import Publisher
from moontrim.tracking.record import TrackingRecord
from moontrim.tracking.submitter import PlanSubmitter


class Tracker:
    """Keeps one radio on frequency. `run` never returns but by cancellation."""

    def __init__(
        self,
        clock: Clock,
        watch: ClockWatch,
        inbox: Inbox,
        changes: Changes,
        submitter: PlanSubmitter,
        publisher: Publisher,
        record: TrackingRecord,
    ) -> None:
        self._clock = clock
        self._watch = watch
        self._inbox = inbox
        self._changes = changes
        self._submitter = submitter
        self._publisher = publisher
        self._record = record

    async def run(self) -> None:
        """Ticks just ahead of every UTC second; deals with the inbox as soon as anything is in
        it."""
        second = math.floor(self._clock.utc_s() + AHEAD_S)  # begin at once with the present second
        self._tick(second)
        while True:
            remaining_s = second + 1 - AHEAD_S - self._clock.utc_s()
            # Waits also when a second is overdue (for 0 s): else ticks that take longer than a
            # second would never let another task run.
            arrived = await self._clock.wait(self._inbox.wake, min(remaining_s, 1.0))
            woken = arrived and remaining_s > 0.0
            # Also when woken, or a flood of requests would hide that the clock was set back.
            if self._clock_stepped():
                second = math.floor(self._clock.utc_s() + AHEAD_S)
                self._tick(second)
            if woken:
                self._handle(self._inbox.drain())
                continue
            due = math.floor(self._clock.utc_s() + AHEAD_S)
            if due <= second:
                continue
            if due > second + 1:
                self._record.miss(due - second - 1)
            second = due
            self._tick(second)

    def _tick(self, second: int) -> None:
        self._record.tick()
        self._submitter.observe()
        self._submitter.plan_second(second)
        self._publisher.publish(self._submitter.plan, self._submitter.hindrances())

    def _clock_stepped(self) -> bool:
        if self._watch.step_s() == 0.0:
            return False
        self._record.fault(self._watch.last_event)
        self._submitter.clock_stepped()
        return True

    def _handle(self, items: list[Item]) -> None:
        self._submitter.observe()
        decisive = [self._changes.take(item) for item in items]
        if any(decisive) or self._submitter.transmit_changed():
            self._submitter.replan()
        news = any(not isinstance(item, Updated) or item.on_request for item in items)
        self._publisher.publish_news(self._submitter.plan, self._submitter.hindrances(), news=news)
