"""One run: a station, one life of the daemon after the other, its users, and the faults. Everything
is drawn from the seed; the same seed gives the same run."""

from __future__ import annotations

import asyncio
import math
import random
import traceback
from typing import Any

import numpy as np

from moontrim.path import Ephemeris
from moontrim.rig.panel import ACCEPT_MODE
from moontrim.session.sessionfile import marked
from moontrim.state.snapshot import Tracking
from moontrim_drivers.simulated.options import SimulatedOptions
from soak.exact import ExactPath
from soak.faults import ENDS, FLOOD, KINDS, Undo
from soak.invariants import Judge
from soak.life import Life
from soak.operators import Operators
from soak.plan import Plan
from soak.publishing import Publishing
from soak.station import SoakClock, Station
from soak.trace import Trace
from soak.watch import UnkeyWatch

BETWEEN_S, COMMANDS_S, OVERS_S, LOOKS_S = 100.0, 90.0, 100.0, 17.0
MOST_CALM_OVERS = 30.0  # even in the calmest of nights somebody transmits
# Within what time everything must be right again. A radio that could never do it (split gone when
# it came back) is tried again after 15 s and a quarter; a hand that was put back too often is given
# ten seconds.
BACK_S, NOT_SUITABLE_S, IN_USE_S = 5.0, 25.0, 15.0
STOP_S = 20.0


class World:
    def __init__(self, plan: Plan, ephemeris: Ephemeris, clock: SoakClock) -> None:
        self.plan = plan
        self.clock = clock
        self.trace = Trace()
        self._publishing = Publishing(plan, clock, self.trace)
        self._exact = exact = ExactPath(ephemeris, plan.settings, plan.start_utc_s - 60.0)
        self.judge = Judge(plan, clock, self.trace, exact)
        options = SimulatedOptions.model_validate(plan.settings.radio.options)
        keying = plan.settings.keying
        coils = max(0, len(keying.outputs) - 1)
        self.station = Station(options, clock, coils, self.judge)
        self.station.wire.chance = self._chance("wire")
        self.judge.station = self.station
        self.judge.trouble_s = self._trouble_s
        self._ephemeris = ephemeris
        self.asking: set[str] = set()
        self.watch = UnkeyWatch(plan, clock, self.judge, exact, self.asking, self._trouble_s)
        self._troubles = 0  # at the radio or the relays, under way now
        self._trouble_ended_s = -math.inf
        self._ending = asyncio.Event()
        self._how = ""
        self._operators: Operators | None = None
        self._lives = 0
        self.longest_back_s = 0.0

    def _chance(self, what: str) -> random.Random:
        return random.Random(f"{what} {self.plan.seed}")

    def _trouble_s(self) -> float:
        return self.clock.monotonic_s() if self._troubles else self._trouble_ended_s

    # --- the run ----------------------------------------------------------------------------------

    async def run(self) -> None:
        jobs = [self._misfortunes(), self._commands(), self.watch.run(), self._looks()]
        if self.plan.settings.keying.enabled:
            jobs.append(self._overs())
        beside = [asyncio.create_task(job, name=f"world {i}") for i, job in enumerate(jobs)]
        living = asyncio.create_task(self._live(), name="lives")
        await self.clock.sleep(self.plan.duration_s)
        for task in beside:
            task.cancel()
        for ended in await asyncio.gather(*beside, return_exceptions=True):
            if isinstance(ended, Exception):
                self.judge.violated("".join(traceback.format_exception(ended)))
        self._end("over")
        await living
        await asyncio.sleep(0)
        left = asyncio.all_tasks() - {asyncio.current_task()}
        if left:
            self.judge.violated(f"tasks are left: {sorted(task.get_name() for task in left)}")

    async def _live(self) -> None:
        """One daemon after the other, until the run is over."""
        chance = self._chance("lives")
        while self._how != "over":
            self._ending.clear()
            self._lives += 1
            life = Life(self.plan, self.station, self._ephemeris, self._lives, self.judge.violated)
            self.judge.hand(f"life {self._lives}")
            self.judge.born(life)
            self._operators = Operators(
                life.daemon, self.clock, self._chance(f"operators {self._lives}"), self.asking,
                self.judge.hand, self.judge.plug,
            )  # fmt: skip
            running = asyncio.create_task(
                life.daemon.run(self._publishing.run), name=f"life {self._lives}"
            )
            ending = asyncio.create_task(self._ending.wait(), name="ending")
            await asyncio.wait([running, ending], return_when=asyncio.FIRST_COMPLETED)
            ending.cancel()
            if running.done():
                self.judge.violated(f"the daemon ended by itself: {_why(running)}")
                self.judge.life = self._operators = None
                return
            self._operators = None
            if self._how == "killed":
                await self._kill(life, running)
            else:
                await self._stop(life, running)
            if self._how != "over":
                await self.clock.sleep(chance.choice([0.0, 0.1, 3.0]))

    async def _kill(self, life: Life, running: asyncio.Task[None]) -> None:
        """From here on nothing the process does reaches anybody; what hung on its lines falls."""
        life.alive = False
        self.judge.life = self.judge.ended_with = None
        self.station.key_coil.switch(False, self.clock.monotonic_s())
        self.judge.hand("killed")
        self._trouble_ended_s = self.clock.monotonic_s()
        running.cancel()
        for task in asyncio.all_tasks():
            if task.get_name() == "session to disk":
                task.cancel()
        await asyncio.wait([running])
        if not running.cancelled():
            self.judge.violated(f"ended wrongly: {_why(running)}")

    async def _stop(self, life: Life, running: asyncio.Task[None]) -> None:
        self.judge.hand("stopped")
        began_s, sound = self.clock.monotonic_s(), self.station.disk.sound
        life.daemon.stop.set()
        await asyncio.wait([running])
        if _why(running):
            self.judge.violated(f"ended wrongly: {_why(running)}")
        now_s = self.clock.monotonic_s()
        if now_s - began_s > STOP_S:
            self.judge.violated(f"took {now_s - began_s:.1f} s to stop")
        # It lowers for as long as the releases take and a second and a half on top.
        if self.station.radio.ours and now_s - self._trouble_s() > 3.0:
            self.judge.violated("keyed after the end")
        for coil in self.station.coils:
            if coil.on and now_s - self._trouble_s() > 3.0:
                self.judge.violated(f"relay {coil.index} on after the end")
        if sound and self.station.disk.sound and not marked(self.plan.settings.state_path()):
            self.judge.violated("an orderly end without its mark")
        self.judge.ended_with = life.daemon.session
        life.alive = False
        self.judge.life = None

    def _end(self, how: str) -> None:
        if self._how != "over":
            self._how = how
        self._ending.set()

    # --- misfortunes ------------------------------------------------------------------------------

    async def _misfortunes(self) -> None:
        chance = self._chance("misfortunes")
        while True:
            await self._moment(chance, BETWEEN_S)
            count = min(len(self.plan.kinds), chance.choice([1, 1, 1, 2, 3]))
            await self._episode(chance, chance.sample(self.plan.kinds, count))
            await self._recovered()
            self.judge.resources(len(asyncio.all_tasks()))

    async def _episode(self, chance: random.Random, kinds: list[str]) -> None:
        """Begin them one by one, and undo them one by one in another order."""
        undo: list[tuple[str, Undo]] = []
        for kind in kinds:
            self.trace.counts[f"misfortune: {kind}"] += 1
            if kind in ENDS:
                self._end(kind)
            elif kind == FLOOD:
                if self._operators is not None:
                    await self._operators.flood()
            else:
                if KINDS[kind].area in ("radio", "relay", "contact"):
                    self._troubles += 1
                undo.append((kind, KINDS[kind].begin(self.station, chance)))
                self.judge.hand(f"{kind} has begun", turning=int(KINDS[kind].turns))
            await self.clock.sleep(chance.uniform(0.0, 2.0))
        await self.clock.sleep(math.exp(chance.uniform(math.log(0.05), math.log(20.0))))
        if any(KINDS[kind].area == "source" for kind, _ in undo):
            await self.clock.sleep(chance.uniform(0.0, 60.0))  # it is asked every 16 s only
        chance.shuffle(undo)
        for kind, undone in undo:
            undone()
            self.judge.hand(f"{kind} is over", turning=-int(KINDS[kind].turns))
            if KINDS[kind].area in ("radio", "relay", "contact"):
                self._troubles -= 1
                self._trouble_ended_s = self.clock.monotonic_s()
            await self.clock.sleep(chance.uniform(0.0, 1.0))

    async def _recovered(self) -> None:
        """On frequency again in time, counted from the last that anybody did."""
        began_s, put_right_s, patience_s = self.clock.monotonic_s(), -math.inf, BACK_S
        while True:
            await self.clock.sleep(0.25)
            now_s, latest = self.clock.monotonic_s(), self._latest()
            since_s = now_s - max(self.judge.disturbed_s, began_s)
            if self.judge.life is None or latest is None or self.station.radio.transmitting:
                began_s = now_s
                continue
            if latest.tracking is Tracking.NO_DOPPLER:
                return
            # With the Moon too low the dials are kept as right as ever.
            if latest.tracking in (Tracking.ON_FREQUENCY, Tracking.MOON_TOO_LOW):
                off_hz = self.judge.off_by_hz()
                if off_hz is None or off_hz <= 0.0:
                    self.longest_back_s = max(self.longest_back_s, since_s)
                    self.trace.counts["back on frequency in time"] += 1
                    return
            if latest.tracking is Tracking.RADIO_NOT_SUITABLE:
                patience_s = NOT_SUITABLE_S
            elif latest.tracking is Tracking.DIAL_IN_USE:
                patience_s = max(patience_s, IN_USE_S)
            # A hand on the dial is seen at the next look.
            within_s = patience_s + self.plan.settings.radio.poll_s
            if since_s <= within_s:
                continue
            # The mode that the radio had when a life began may be the one that a hand then undoes.
            # So does another program that the radio's own drift was taken for.
            accept = latest.tracking is Tracking.OTHER_PROGRAM or ACCEPT_MODE in latest.reason
            waits_for_a_person = accept or latest.tracking in (
                Tracking.PAUSED,
                Tracking.OUTSIDE_BAND,
            )
            undone = put_right_s < self.judge.disturbed_s  # by whoever came after
            if waits_for_a_person and undone and self._operators is not None:
                await self._operators.put_right(pause_first=accept)
                put_right_s = self.clock.monotonic_s()
                continue
            self.judge.violated(
                f"not back on frequency after {since_s:.1f} s: {latest.tracking}, {latest.reason}, "
                f"{self.judge.off_by_hz()} Hz beyond the limit"
            )
            return

    async def _moment(self, chance: random.Random, mean_s: float) -> None:
        """When the next thing happens; every other time, should there be RF before, then: that is
        when it matters most."""
        wait_s = self.plan.calm * chance.expovariate(1.0 / mean_s)
        if chance.random() < 0.5:
            await self.clock.sleep(wait_s)
        elif await self.clock.wait(self.watch.keyed, wait_s):
            await self.clock.sleep(chance.uniform(0.0, 4.0))

    def _latest(self) -> Any:
        return None if self.judge.life is None else self.judge.life.daemon.hub.latest

    # --- people -----------------------------------------------------------------------------------

    async def _commands(self) -> None:
        chance = self._chance("commands")
        while True:
            await self._moment(chance, COMMANDS_S)
            if self._operators is not None:
                await self._within(self._operators.command())
            if chance.random() < 0.3 and self._operators is not None:
                await self.clock.sleep(chance.uniform(1.0, 20.0))
                if self._operators is not None:
                    await self._within(self._operators.put_right())

    async def _overs(self) -> None:
        """One of them as the Moon sinks below the limit, if it does."""
        chance = self._chance("overs")
        calm = min(self.plan.calm, MOST_CALM_OVERS)
        at_edge_s = self._limit_s() - chance.uniform(1.0, 8.0)
        while True:
            wait_s = calm * chance.expovariate(1.0 / OVERS_S)
            until_edge_s = at_edge_s - self.clock.monotonic_s()
            await self.clock.sleep(min(wait_s, until_edge_s) if until_edge_s > 0.0 else wait_s)
            if self._operators is not None:
                hold_s = 25.0 if 0.0 < until_edge_s <= wait_s else None
                await self._within(self._operators.transmit(hold_s), 120.0)

    def _limit_s(self) -> float:
        """When in the run the Moon first goes below the keying's limit, to a second."""
        seconds = int(self.plan.duration_s)
        elevation_deg = self._exact.elevations_deg(self.plan.start_utc_s, seconds)
        low = elevation_deg <= self.plan.settings.keying.min_tx_elevation_deg
        sinks = np.flatnonzero(low[1:] & ~low[:-1])
        return float(sinks[0] + 1) if sinks.size else -math.inf

    async def _within(self, doing: Any, limit_s: float = 10.0) -> None:
        """Whoever asks a daemon that dies meanwhile is not answered."""
        try:
            async with self.clock.timeout(limit_s):
                await doing
        except TimeoutError:
            self.trace.counts["unanswered"] += 1
        self.judge.disturbed_s = self.clock.monotonic_s()

    async def _looks(self) -> None:
        chance = self._chance("looks")
        while True:
            await self.clock.sleep(chance.uniform(0.0, 2 * LOOKS_S * min(self.plan.calm, 3.0)))
            self.judge.honest()


def _why(task: asyncio.Task[None]) -> str:
    if task.cancelled():
        return "cancelled"
    error = task.exception()
    return "" if error is None else "".join(traceback.format_exception(error))
