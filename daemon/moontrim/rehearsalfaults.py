"""What can go wrong in a night, brought about on purpose in a rehearsal, one thing after the other.

Owns the faults and how the return is judged: by the dials of the simulated radio and the exact path
solution, not by what the daemon says of itself. Times are of the rehearsal's clock, but for the
broker, which lives in real time."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from moontrim.app import Companion, Daemon
from moontrim.clock import SystemClock, VirtualClock
from moontrim.correction import OnAir, fractions_of, on_air
from moontrim.errors import MoontrimError
from moontrim.keying.sequence import STUCK_S, Phase
from moontrim.path import Ephemeris, solve_path
from moontrim.remote.broker import OwnBroker
from moontrim.session import PermitTransmit, SetSked
from moontrim.settings import Settings
from moontrim.state import Tracking
from moontrim_drivers.simradio import SimulatedRadio
from moontrim_drivers.simulated import SimulatedDriver, SimulatedOptions

BACK_S = 3.0  # after a radio has come back, or at once where nothing has gone
UNKEYED_S = 1.0
BROKER_BACK_S = 15.0  # of real time; it waits longer after each death in a row
GIVE_UP_S = 20.0
BETWEEN_S = 3.0
LOOK_S = 0.05
GONE_S = 3.0  # how long a radio stays away
WHO = "rehearsal"


@dataclass(frozen=True)
class Outcome:
    """One fault. states: what the daemon showed meanwhile. took_s: until it was as it should be
    again, None: it never was. kept: in words, what held meanwhile."""

    fault: str
    states: tuple[str, ...]
    took_s: float | None
    limit_s: float
    kept: str

    @property
    def passed(self) -> bool:
        return self.took_s is not None and self.took_s <= self.limit_s

    def as_json(self) -> dict[str, Any]:
        return {
            "fault": self.fault,
            "states": list(self.states),
            "took_s": self.took_s,
            "limit_s": self.limit_s,
            "kept": self.kept,
            "passed": self.passed,
        }


@dataclass
class Faults:
    """A companion of the rehearsed daemon. broker: our own one, None while there is none. say: told
    what is about to happen, for the person who watches."""

    radio: SimulatedRadio
    clock: VirtualClock
    ephemeris: Ephemeris
    broker: Callable[[], OwnBroker | None]
    say: Callable[[str], object]
    outcomes: list[Outcome] = field(default_factory=list)

    async def run(self, daemon: Daemon) -> None:
        """Every fault in turn, then the daemon is stopped."""
        self._daemon = daemon
        self._states: list[str] = []
        watching = asyncio.create_task(self._watch(), name="states")
        try:
            await self._until(self._on_frequency, GIVE_UP_S)
            for fault in self._script():
                await fault()
                await self.clock.sleep(BETWEEN_S)
        finally:
            watching.cancel()
            daemon.stop.set()

    def _script(self) -> list[Callable[[], Coroutine[Any, Any, None]]]:
        keys = self._daemon.settings.keying.enabled
        return [
            self._knob_turned,
            self._radio_lost,
            self._radio_silent,
            self._radio_refuses,
            self._power_cut,
            *([self._lost_while_keyed] if keys else []),
            self._keyed_when_forbidden,
            # From a step on the clock is not trusted for a while, and nothing can be keyed.
            *([self._clock_stepped_while_keyed] if keys else []),
            partial(self._clock_stepped, 5.0),
            partial(self._clock_stepped, -5.0),
            self._broker_lost,
        ]

    # --- the faults -------------------------------------------------------------------------------

    async def _knob_turned(self) -> None:
        before_hz = self._sked_hz()
        async with self._fault("the dial is turned by 300 Hz") as note:
            self.radio.turn_dial(300)
            await self._until(lambda: abs(self._sked_hz() - before_hz - 300.0) < 5.0, BACK_S)
            note.took_s = await self._back()
            note.kept = f"the sked frequency followed, {self._sked_hz() - before_hz:+.0f} Hz"
        await self._daemon.ask(SetSked(WHO, before_hz))

    async def _radio_lost(self) -> None:
        async with self._fault(f"the radio is unplugged for {GONE_S:.0f} s") as note:
            self.radio.change(unreachable_s=GONE_S)
            self.radio.drop()
            await self.clock.sleep(GONE_S)
            note.took_s = await self._back()
            note.kept = "every second was planned all the same"

    async def _radio_silent(self) -> None:
        async with self._fault(f"the radio does not answer for {GONE_S:.0f} s") as note:
            self.radio.change(silent=True)
            await self.clock.sleep(GONE_S)
            self.radio.change(silent=False)
            # What was asked before then is never answered, and waited for until its deadline.
            note.limit_s += self._daemon.settings.radio.deadline_s
            note.took_s = await self._back()
            note.kept = "the connection was given up and made anew"

    async def _radio_refuses(self) -> None:
        async with self._fault("the radio refuses every setting for 4 s") as note:
            self.radio.change(refuse_every=1)
            await self.clock.sleep(4.0)
            self.radio.change(refuse_every=0)
            note.took_s = await self._back()
            note.kept = "it was tried again, not hammered"

    async def _power_cut(self) -> None:
        async with self._fault(f"the radio is switched off and on within {GONE_S:.0f} s") as note:
            self.radio.change(unreachable_s=GONE_S)
            self.radio.power_cycle()
            await self.clock.sleep(GONE_S)
            note.took_s = await self._back()
            note.kept = "dials and split were set again from its power-up state"

    async def _clock_stepped(self, by_s: float) -> None:
        async with self._fault(f"the clock is stepped by {by_s:+.0f} s") as note:
            missed = self._daemon.tracker.missed_seconds
            self.clock.step_utc(by_s)
            await self.clock.sleep(0.5)  # less than a second until it is noticed
            note.took_s = await self._back()
            missed = self._daemon.tracker.missed_seconds - missed
            note.kept = f"planned anew from the new time, {missed} seconds missed"

    async def _keyed_when_forbidden(self) -> None:
        await self._daemon.ask(PermitTransmit(WHO, False))
        async with self._fault("a command keys the radio while transmitting is forbidden") as note:
            note.limit_s = UNKEYED_S
            self.radio.set_transmit(True)
            note.took_s = await self._until(lambda: not self.radio.transmitting, GIVE_UP_S)
            note.kept = "unkeyed"
        await self._daemon.ask(PermitTransmit(WHO, True))

    async def _lost_while_keyed(self) -> None:
        async with self._fault("the radio is lost while moontrim keys it") as note:
            if not await self._key(note):
                return
            self.radio.change(unreachable_s=GONE_S)
            self.radio.power_cycle()  # a radio that loses its supply
            note.limit_s = UNKEYED_S + STUCK_S  # nobody confirms that it has stopped
            note.took_s = await self._until(self._relays_fall, GIVE_UP_S)
            note.kept = "the relays fell, and nothing was keyed again by itself"
        self._daemon.transmitting.release(WHO)
        await self._back()
        if self.radio.transmitting:
            self._fail_last("the radio came back keyed")

    async def _clock_stepped_while_keyed(self) -> None:
        async with self._fault("the clock is stepped by 2 s while moontrim keys") as note:
            if not await self._key(note):
                return
            self.clock.step_utc(2.0)
            note.limit_s = UNKEYED_S
            note.took_s = await self._until(self._relays_fall, GIVE_UP_S)
            note.kept = "unkeyed until the clock is trusted again"
        self._daemon.transmitting.release(WHO)
        await self._back()

    async def _broker_lost(self) -> None:
        broker, real = self.broker(), SystemClock()
        if broker is None or not broker.ready.is_set():
            return  # it is not installed, which has been said
        async with self._fault("the broker is killed") as note:
            note.limit_s = BROKER_BACK_S
            began_s = real.monotonic_s()
            broker.kill()
            with contextlib.suppress(TimeoutError):
                async with real.timeout(BROKER_BACK_S):
                    while broker.ready.is_set():
                        await real.sleep(LOOK_S)
                    await broker.ready.wait()
                note.took_s = real.monotonic_s() - began_s
            note.kept = "the dials stayed where they belong"
            if not self._on_frequency():
                note.took_s, note.kept = None, "the dials were NOT kept meanwhile"

    # --- judging ----------------------------------------------------------------------------------

    @asynccontextmanager
    async def _fault(self, text: str) -> AsyncIterator[_Note]:
        self.say(text)
        self._states = []
        note = _Note()
        yield note
        outcome = Outcome(text, tuple(self._states), note.took_s, note.limit_s, note.kept)
        self.outcomes.append(outcome)

    def _fail_last(self, why: str) -> None:
        last = self.outcomes.pop()
        self.outcomes.append(Outcome(last.fault, last.states, None, last.limit_s, why))

    async def _watch(self) -> None:
        while True:
            state = (await self._daemon.hub.next()).tracking.value
            if not self._states or self._states[-1] != state:
                self._states.append(state)

    async def _back(self) -> float | None:
        return await self._until(self._on_frequency, GIVE_UP_S)

    async def _until(self, is_so: Callable[[], bool], within_s: float) -> float | None:
        """Seconds until it is so; None if it is not in time."""
        began_s = self.clock.monotonic_s()
        while not is_so():
            if self.clock.monotonic_s() - began_s > within_s:
                return None
            await self.clock.sleep(LOOK_S)
        return self.clock.monotonic_s() - began_s

    def _on_frequency(self) -> bool:
        """Does the daemon say so, and do the radio's dials and the exact path agree?"""
        seen = self._daemon.hub.latest
        if seen is None or seen.tracking is not Tracking.ON_FREQUENCY:
            return False
        settings = self._daemon.settings
        band = settings.band(seen.band)
        ideal = self._ideal()
        limit_hz = band.dial_resolution_hz
        off_hz = [self.radio.rx_dial_hz - band.band().dial_hz(ideal.rx_hz)]
        if self.radio.tx_dial_hz is not None and band.while_transmitting == "step":
            off_hz.append(self.radio.tx_dial_hz - band.tx_band().dial_hz(ideal.tx_hz))
        return all(abs(hz) <= limit_hz for hz in off_hz)

    def _ideal(self) -> OnAir:
        session, settings = self._daemon.tracker.session, self._daemon.settings
        legs = solve_path(
            self.ephemeris,
            settings.home.site(),
            session.partner_site(settings),
            self.clock.utc_s(),
            settings.troposphere,
        ).legs
        here = session.here(settings)
        fractions = fractions_of(lambda leg: float(legs[leg].fraction))
        return on_air(
            session.agreement,
            here.sked_hz,
            fractions,
            here.trim_rx_hz,
            here.trim_tx_hz,
            session.tx_sked_hz(settings),
        )

    def _sked_hz(self) -> float:
        return self._daemon.tracker.session.here(self._daemon.settings).sked_hz

    async def _key(self, note: _Note) -> bool:
        """Key through the sequence. False, and why, if it cannot be: then nothing is shown."""
        try:
            await self._daemon.transmitting.request(WHO)
        except MoontrimError as error:
            note.kept = str(error)
            return False
        await self.clock.sleep(1.0)
        return True

    def _relays_fall(self) -> bool:
        """Are they off, or no longer waiting for the radio?"""
        view = self._daemon.transmitting.keyer.view
        return not self.radio.transmitting and (view.state is Phase.IDLE or bool(view.stuck))


def rehearse_faults(
    settings: Settings,
    ephemeris: Ephemeris,
    start_utc_s: float,
    *,
    pace: float,
    companions: tuple[Companion, ...] = (),
    broker: Callable[[], OwnBroker | None] = lambda: None,
    say: Callable[[str], object] = lambda text: None,
) -> list[Outcome]:
    """Run the daemon from start through all of them, at `pace` virtual seconds per second. Ended by
    a signal, what has been seen until then."""
    clock = VirtualClock(start_utc_s, pace)

    async def main() -> list[Outcome]:
        options = SimulatedOptions.model_validate(settings.radio.options)
        driver = SimulatedDriver(options, clock)
        faults = Faults(driver.radio, clock, ephemeris, broker, say)
        daemon = Daemon(settings, clock, ephemeris, driver, seed=1)
        daemon.stop_on_signals()
        await daemon.run(*companions, faults.run)
        return faults.outcomes

    return clock.run(main())


@dataclass
class _Note:
    took_s: float | None = None
    limit_s: float = BACK_S
    kept: str = ""
