"""Checks that the radio is unkeyed in time: for every reason against RF, how long RF may last.

A reason counts from when the daemon can have noticed it: at once for what it is informed of, at its
next poll for the rest. On top comes a second to unkey. Time in which radio, key or process have a
fault does not count, nor do the three seconds after it, in which the link comes back."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable

from moontrim.errors import CoverageError
from moontrim.session.session import Session
from soak.exact import ExactPath
from soak.invariants import Judge
from soak.plan import Plan
from soak.station import SoakClock

UNKEY_S = 1.0
LOOK_S = 0.2
TICK_S = 1.2  # until the next second is planned
DRIVE_S = 5.0  # how often the drive is looked at
COMING_BACK_S = 3.0


class UnkeyWatch:
    """run: to be run beside everything else. asking: those that want the key now, by the operators'
    record. trouble_s: when a fault last prevented unkeying."""

    def __init__(
        self,
        plan: Plan,
        clock: SoakClock,
        judge: Judge,
        exact: ExactPath,
        asking: set[str],
        trouble_s: Callable[[], float],
    ) -> None:
        self._plan = plan
        self._clock = clock
        self._judge = judge
        self._exact = exact
        self._asking = asking
        self._trouble_s = trouble_s
        self.keyed = asyncio.Event()  # there is RF of the daemon's making
        self._lasted_s: dict[str, float] = {}
        self._low_known = (0, -1.0)
        self._is_low = False
        judge.rf_changed = self._rf_changed

    def _rf_changed(self, on: bool) -> None:
        if on:
            self.keyed.set()
        else:
            self.keyed.clear()

    async def run(self) -> None:
        while True:
            await self.keyed.wait()
            await self._one_over()

    async def _one_over(self) -> None:
        judge, clock = self._judge, self._clock
        steps, band = clock.steps, self._band()
        life = judge.life
        self._lasted_s = {}
        was_s, stalls = clock.monotonic_s(), clock.stalls
        since_s, session = judge.rf_since_s, self._session()
        while self.keyed.is_set():
            await clock.sleep(LOOK_S)
            now_s = clock.monotonic_s()
            passed_s = now_s - was_s if stalls == clock.stalls else 0.0
            was_s, stalls = now_s, clock.stalls
            since_s, session = self._sked_stays(since_s, session)
            reasons = self._reasons()
            once = {
                "the clock was stepped": (clock.steps != steps, TICK_S),
                "the clock is no good": (judge.station.time_source.bad_since_s < now_s, 0.0),
                "the band was changed": (self._band() != band, 0.0),
                "the daemon was started anew": (judge.life is not life, 0.0),
                "no contact with the radio": (
                    judge.life is not None and judge.life.parted_s > judge.rf_since_s,
                    0.0,
                ),
            }
            if now_s - self._trouble_s() < COMING_BACK_S or judge.life is None:
                passed_s = 0.0
            if self.keyed.is_set():
                self._add(passed_s, reasons | once)

    def _reasons(self) -> dict[str, tuple[bool, float]]:
        """Each with whether it is so now, and how long it takes to be seen."""
        judge, settings = self._judge, self._plan.settings
        poll_s = settings.radio.poll_s + settings.radio.deadline_s
        over_s = self._clock.monotonic_s() - judge.rf_since_s
        session = None if judge.life is None else judge.life.daemon.session
        return {
            "nobody asks for it": (not self._asking, 0.0),
            "transmit inhibited": (session is not None and not session.tx_allowed, 0.0),
            "paused": (session is not None and not session.correcting, 0.0),
            "longer than an over may last": (over_s > settings.keying.longest_over_s, 0.0),
            "the Moon is too low": (self._low(), TICK_S),
            "outside the allowed range": (not judge.allowed_now(), poll_s),
            "drive above the ceiling": (judge.drive_above(), DRIVE_S + poll_s),
        }

    def _low(self) -> bool:
        """Looked up once a second, or when the clock was set."""
        now = (self._clock.steps, self._clock.monotonic_s() // 1.0)
        if now != self._low_known:
            self._low_known, self._is_low = now, self._look_up()
        return self._is_low

    def _look_up(self) -> bool:
        try:
            elevation_deg = self._exact.elevation_deg(self._clock.utc_s())
        except CoverageError:
            return True
        return elevation_deg < self._plan.settings.keying.min_tx_elevation_deg - 0.002

    def _add(self, passed_s: float, reasons: dict[str, tuple[bool, float]]) -> None:
        for reason, (is_so, noticed_in_s) in reasons.items():
            lasted_s = self._lasted_s.get(reason, 0.0) + passed_s if is_so else 0.0
            if lasted_s > noticed_in_s + UNKEY_S + LOOK_S:
                self._judge.violated(f"still keyed after {lasted_s:.2f} s: {reason}")
                lasted_s = -math.inf  # once an over is enough
            self._lasted_s[reason] = lasted_s

    def _sked_stays(self, since_s: float, before: Session | None) -> tuple[float, Session | None]:
        """Under RF only the dial moves the sked; band, partner and agreement stay. Returns since
        when there has been RF, and the session."""
        judge, life = self._judge, self._judge.life
        now = self._session()
        same_over = self.keyed.is_set() and judge.rf_since_s == since_s
        if same_over and life is not None and before is not None and now is not None:
            change = life.daemon.record.last_change
            by_hand = change is not None and change.by == "dial"
            if not by_hand and now.retuned_from(before, self._plan.settings):
                judge.violated(f"retuned under RF: {change}")
        return judge.rf_since_s, now

    def _session(self) -> Session | None:
        life = self._judge.life
        return None if life is None else life.daemon.session

    def _band(self) -> str:
        life = self._judge.life
        return "" if life is None else life.daemon.session.band
