"""The faults of a rehearsal: what can go wrong in a night, caused on purpose, one after the other.

`faultjudge` measures how long each takes to overcome. Times are of the rehearsal's clock, except
for the broker, which is a process in real time."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Coroutine
from functools import partial
from typing import Any

from moontrim.app.daemon import Companion, Daemon
from moontrim.clock.system import SystemClock
from moontrim.clock.virtual import VirtualClock
from moontrim.config.settings import Settings
from moontrim.errors import MoontrimError
from moontrim.formats import grouped
from moontrim.keying.sequence import STUCK_S, Phase
from moontrim.path import Ephemeris
from moontrim.rehearsal.faultjudge import (
    BACK_S,
    GIVE_UP_S,
    LOOK_S,
    FaultJudge,
    FaultNote,
    FaultOutcome,
)
from moontrim.rehearsal.rehearsal import confirm_front_end
from moontrim.remote.broker.process import ChildBroker
from moontrim.session.commands import AllowTransmit, SetSked
from moontrim_drivers.simulated.driver import SimulatedDriver, SimulatedOptions
from moontrim_drivers.simulated.radio import SimulatedRadio

UNKEYED_S = 1.0  # chosen: within this a radio must be unkeyed
BROKER_BACK_S = 15.0  # chosen: of real time; its restart waits longer after each death in a row
BETWEEN_S = 3.0  # chosen: between two faults
GONE_S = 3.0  # chosen: how long a radio stays away
WHO = "rehearsal"  # in the name of whom commands are given


class Faults:
    """Causes the faults of one rehearsed daemon. broker: returns its broker, None without one."""

    def __init__(
        self,
        daemon: Daemon,
        radio: SimulatedRadio,
        clock: VirtualClock,
        judge: FaultJudge,
        broker: Callable[[], ChildBroker | None],
    ) -> None:
        self._daemon = daemon
        self._radio = radio
        self._clock = clock
        self._judge = judge
        self._broker = broker

    async def run(self, daemon: Daemon) -> None:
        """Causes every fault in turn, as a companion of the daemon, then stops the daemon."""
        watching = asyncio.create_task(self._judge.watch(), name="states")
        try:
            await self._judge.until(self._judge.on_frequency, GIVE_UP_S)
            for fault in self._script():
                await fault()
                await self._clock.sleep(BETWEEN_S)
        finally:
            watching.cancel()
            daemon.stop.set()

    def _script(self) -> list[Callable[[], Coroutine[Any, Any, None]]]:
        """Returns the faults in their order; those while keyed only if moontrim keys the radio."""
        keys = self._daemon.settings.keying.enabled
        return [
            self._knob_turned,
            self._radio_lost,
            self._radio_silent,
            self._radio_refuses,
            self._power_cut,
            *([self._lost_while_keyed] if keys else []),
            self._keyed_when_inhibited,
            # From a step on the clock is not trusted for a while, and nothing can be keyed.
            *([self._clock_stepped_while_keyed] if keys else []),
            partial(self._clock_stepped, 5.0),
            partial(self._clock_stepped, -5.0),
            self._broker_lost,
        ]

    # --- the faults -------------------------------------------------------------------------------

    async def _knob_turned(self) -> None:
        """Turns the dial: the sked frequency must follow."""
        before_hz = self._judge.sked_hz()

        def moved_hz() -> float:
            return self._judge.sked_hz() - before_hz

        async with self._judge.fault("the dial is turned by 300 Hz") as note:
            self._radio.turn_dial(300)
            await self._judge.until(lambda: abs(moved_hz() - 300.0) < 5.0, BACK_S)
            note.took_s = await self._judge.back()
            note.effect = f"the sked frequency followed, {grouped(moved_hz(), sign=True)} Hz"
        await self._daemon.ask(SetSked(WHO, before_hz))

    async def _radio_lost(self) -> None:
        """Breaks the connection to the radio for a while."""
        async with self._judge.fault(f"the radio is unplugged for {GONE_S:.0f} s") as note:
            self._radio.change(unreachable_s=GONE_S)
            self._radio.drop()
            await self._clock.sleep(GONE_S)
            note.took_s = await self._judge.back()
            note.effect = "every second was planned all the same"

    async def _radio_silent(self) -> None:
        """Lets the radio leave every call unanswered for a while."""
        async with self._judge.fault(f"the radio does not answer for {GONE_S:.0f} s") as note:
            self._radio.change(silent=True)
            await self._clock.sleep(GONE_S)
            self._radio.change(silent=False)
            # The call in progress is never answered, and ends only at its deadline.
            note.limit_s += self._daemon.settings.radio.deadline_s
            note.took_s = await self._judge.back()
            note.effect = "the connection was given up and made anew"

    async def _radio_refuses(self) -> None:
        """Lets the radio reject every command for a while."""
        async with self._judge.fault("the radio rejects every command for 4 s") as note:
            self._radio.change(refuse_every=1)
            await self._clock.sleep(4.0)
            self._radio.change(refuse_every=0)
            note.took_s = await self._judge.back()
            note.effect = "retried every 2 s"

    async def _power_cut(self) -> None:
        """Cuts the power of the radio, which comes back in its power-up state."""
        async with self._judge.fault(
            f"the radio is off and on again within {GONE_S:.0f} s"
        ) as note:
            self._radio.change(unreachable_s=GONE_S)
            self._radio.power_cycle()
            await self._clock.sleep(GONE_S)
            note.took_s = await self._judge.back()
            note.effect = "dials and split were set again from its power-up state"

    async def _clock_stepped(self, by_s: float) -> None:
        """Steps the clock by so many seconds."""
        async with self._judge.fault(f"the clock is stepped by {by_s:+.0f} s") as note:
            missed = self._daemon.record.missed_seconds
            self._clock.step_utc(by_s)
            await self._clock.sleep(0.5)  # less than a second until it is noticed
            note.took_s = await self._judge.back()
            missed = self._daemon.record.missed_seconds - missed
            note.effect = f"planned anew from the new time, {missed} seconds missed"

    async def _keyed_when_inhibited(self) -> None:
        """Keys the radio from outside while transmit is inhibited: it must be unkeyed."""
        await self._daemon.ask(AllowTransmit(WHO, False))
        async with self._judge.fault("the radio is keyed while transmit is inhibited") as note:
            note.limit_s = UNKEYED_S
            self._radio.set_transmit(True)
            note.took_s = await self._judge.until(lambda: not self._radio.transmitting, GIVE_UP_S)
            note.effect = "unkeyed"
        await self._daemon.ask(AllowTransmit(WHO, True))

    async def _lost_while_keyed(self) -> None:
        """Cuts the power of the keyed radio: the relays must release, and nothing keys again."""
        async with self._judge.fault("the radio is lost while moontrim keys it") as note:
            if not await self._key(note):
                return
            self._radio.change(unreachable_s=GONE_S)
            self._radio.power_cycle()  # a radio that loses its supply
            note.limit_s = UNKEYED_S + STUCK_S  # a lost radio cannot confirm that it has stopped
            note.took_s = await self._judge.until(self._relays_released, GIVE_UP_S)
            note.effect = "relays released; nothing was keyed again automatically"
        self._daemon.transmitting.release(WHO)
        await self._judge.back()
        if self._radio.transmitting:
            self._judge.fail_last("the radio came back keyed")

    async def _clock_stepped_while_keyed(self) -> None:
        """Steps the clock while keyed: the radio must be unkeyed."""
        async with self._judge.fault("the clock is stepped by 2 s while moontrim keys") as note:
            if not await self._key(note):
                return
            self._clock.step_utc(2.0)
            note.limit_s = UNKEYED_S
            note.took_s = await self._judge.until(self._relays_released, GIVE_UP_S)
            note.effect = "unkeyed until the clock is trusted again"
        self._daemon.transmitting.release(WHO)
        await self._judge.back()

    async def _broker_lost(self) -> None:
        """Kills the broker, which must come back while the dials go on."""
        broker, real = self._broker(), SystemClock()
        if broker is None or not broker.ready.is_set():
            return  # it is not installed, which the daemon has reported
        async with self._judge.fault("the broker is killed") as note:
            note.limit_s = BROKER_BACK_S
            began_s = real.monotonic_s()
            broker.kill()
            with contextlib.suppress(TimeoutError):
                async with real.timeout(BROKER_BACK_S):
                    while broker.ready.is_set():
                        await real.sleep(LOOK_S)
                    await broker.ready.wait()
                note.took_s = real.monotonic_s() - began_s
            note.effect = "the dials stayed where they belong"
            if not self._judge.on_frequency():
                note.took_s, note.effect = None, "the dials were NOT kept meanwhile"

    # --- keying -----------------------------------------------------------------------------------

    async def _key(self, note: FaultNote) -> bool:
        """Keys the radio by the sequence. Returns False, with the reason in the note, if that is
        refused."""
        try:
            await self._daemon.transmitting.request(WHO)
        except MoontrimError as error:
            note.effect = str(error)
            return False
        await self._clock.sleep(1.0)
        return True

    def _relays_released(self) -> bool:
        """Is the radio unkeyed, with the relays off or reported as stuck?"""
        view = self._daemon.transmitting.keyer.view
        return not self._radio.transmitting and (view.state is Phase.RELEASED or bool(view.stuck))


def rehearse_faults(
    settings: Settings,
    ephemeris: Ephemeris,
    start_utc_s: float,
    *,
    pace: float,
    companions: tuple[Companion, ...] = (),
    broker: Callable[[], ChildBroker | None] = lambda: None,
    say: Callable[[str], object] = lambda text: None,
) -> list[FaultOutcome]:
    """Runs the daemon from start through all faults, at `pace` virtual seconds per second, and
    returns the outcomes; those so far if a signal ends it.

    say: called with a text on each fault before it happens."""
    clock = VirtualClock(start_utc_s, pace)

    async def main() -> list[FaultOutcome]:
        options = SimulatedOptions.model_validate(settings.radio.options)
        driver = SimulatedDriver(options, clock)
        confirm_front_end(settings)
        daemon = Daemon(settings, clock, ephemeris, driver, seed=1)
        daemon.stop_on_signals()
        judge = FaultJudge(daemon, driver.radio, clock, ephemeris, say)
        await daemon.run(*companions, Faults(daemon, driver.radio, clock, judge, broker).run)
        return judge.outcomes

    return clock.run(main())
