"""The one task that keys: carries the sequence out, and drops it as soon as anything is amiss.

Knows no radio, no Moon and no frequency: outputs, conditions and the word to hold the dial still
come from outside. However it ends, by error, by cancellation or at exit, everything has been
switched off by then, and let go."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
from collections.abc import Awaitable, Callable

from moontrim.clock.system import Clock
from moontrim.config.keying import KeyingSettings
from moontrim.keying.claim import Claim, KeyingRefused
from moontrim.keying.interlocks import Conditions, hindrances
from moontrim.keying.outputs import Output
from moontrim.keying.sequence import Phase, Sequence, Stage, Switch
from moontrim.keying.switching import Switching
from moontrim.keying.view import KeyingView

log = logging.getLogger(__name__)

THERE_S = 0.25  # whether its outputs are still there is looked at this often while keyed
CHECK_S = 0.05  # the conditions are looked at this often while not idle
FINE_S = 0.002  # timers may ring this late; the rest of a wait is spent looking at the clock
FAREWELL_S = 1.5  # on top of the release times, for outputs that will not switch off at exit


async def _at_once() -> None: ...


class Keyer:
    """One transmit sequence for one radio. Made in the event loop; `run` is its only task.

    conditions: the station now; called often, must not wait. What it raises forbids.
    frozen: True before the first output is switched on, False when all are off again; in between
        the frequency must not change.
    changed: told of every new view.
    still: awaited once frozen, before the first output: until whatever was changing the frequency
        has ended. What it raises forbids."""

    def __init__(
        self,
        settings: KeyingSettings,
        outputs: tuple[Output, ...],
        clock: Clock,
        conditions: Callable[[], Conditions],
        frozen: Callable[[bool], None],
        changed: Callable[[KeyingView], None] = lambda view: None,
        still: Callable[[], Awaitable[None]] = _at_once,
    ) -> None:
        if len(outputs) != len(settings.outputs):
            raise ValueError("as many outputs as in the settings are needed")
        first = Phase.LOWERING if settings.enabled else Phase.IDLE
        self.view = KeyingView(state=first, since_utc_s=clock.utc_s())
        self._settings = settings
        self._clock = clock
        self._conditions = conditions
        self._frozen = frozen
        self._still = still
        self._changed = changed
        self._sequence = Sequence(
            Stage(output.settle_ms / 1000, output.release_ms / 1000) for output in settings.outputs
        )
        self._wake = asyncio.Event()
        self._switching = Switching(outputs, clock, self._wake)
        self._claim = Claim()
        self._shown_owner = ""
        self._reasons: tuple[str, ...] = ()
        self._troubles: dict[int, str] = {}  # why an output did not switch off
        self._holding_still = False
        self._running = False
        self._there_at_s = -math.inf

    # --- what others call -------------------------------------------------------------------------

    async def request(self, who: str) -> None:
        """Key for `who`; returns once keyed. Cancelled, it is a release.

        Raises KeyingRefused: not allowed, someone else transmits, or it was dropped on the way."""
        if not who:
            raise ValueError("a request needs a name")
        if self._claim.owner != who:
            self._refuse_for_good_reason(who)
            self._claim.take(who)
            self._wake.set()
        try:
            await self._claim.keyed()
        except asyncio.CancelledError:
            self.release(who)
            raise

    def release(self, who: str) -> None:
        """Unkey, if `who` is the one who keys; otherwise harmless."""
        if self._claim.let_go(who):
            self._sequence.drop(self._clock.monotonic_s())
            self._wake.set()

    def withdraw(self, who: str) -> None:
        """The same without having let go: who was dropped under their hands must still do that."""
        if who and who == self._claim.owner:
            self._claim.end("withdrawn")
            self._sequence.drop(self._clock.monotonic_s())
            self._wake.set()

    def look(self) -> None:
        """Something has changed: look at the conditions now."""
        self._wake.set()

    async def run(self) -> None:
        """Serve requests until cancelled. Returns at once if the config leaves keying off."""
        if not self._settings.enabled:
            return
        try:
            for trouble in await self._switching.open():
                log.warning("keying: %s", trouble)
            self._running = True
            while True:
                await self._pass()
        finally:
            self._running = False
            await self._fall()

    # --- refusing and dropping --------------------------------------------------------------------

    def _refuse_for_good_reason(self, who: str) -> None:
        if not self._settings.enabled:
            raise KeyingRefused("keying is not enabled in the config")
        if not self._running:
            raise KeyingRefused("keying is not running")
        if self._claim.owner:
            raise KeyingRefused(f"{self._claim.owner} is transmitting")
        reasons = self._hindrances()
        if self._claim.must_let_go(who):
            reasons = ("the key was dropped, and has not been let go of since", *self._reasons)
        if reasons:
            self._reasons = reasons
            self._show()
            raise KeyingRefused(*reasons)

    def _hindrances(self) -> tuple[str, ...]:
        try:
            conditions = self._conditions()
        except Exception as error:
            log.exception("conditions")
            return (f"the conditions for transmitting cannot be told: {error!r}",)
        return self._stuck() + hindrances(conditions, self._settings, self._over_s())

    def _idle(self) -> bool:
        return self._sequence.phase is Phase.IDLE

    def _over_s(self) -> float:
        since_s = self._sequence.rf_since_s
        return 0.0 if since_s is None else self._clock.monotonic_s() - since_s

    def _stuck(self) -> tuple[str, ...]:
        return tuple(
            f"{self._switching.name(index)} does not switch off: {self._troubles[index]}"
            for index in self._sequence.stuck
        )

    def _watch(self) -> None:
        """Drop the sequence if anything forbids it."""
        if self._sequence.phase in (Phase.RAISING, Phase.KEYED) and (reasons := self._hindrances()):
            self._trip(*reasons)
        elif self._claim.owner and (reasons := self._stuck()):
            # Else who waits for the lowering would be keyed whenever it ends, minutes later.
            self._trip(*reasons)

    def _trip(self, *reasons: str) -> None:
        self._reasons = reasons
        log.warning("not transmitting: %s", "; ".join(reasons))
        self._claim.drop(*reasons)
        self._sequence.drop(self._clock.monotonic_s())

    # --- the loop ---------------------------------------------------------------------------------

    async def _pass(self) -> None:
        self._wake.clear()
        self._watch()
        if self._claim.owner and self._idle():
            await self._begin()
        switch = self._sequence.due(self._clock.monotonic_s())
        self._show()
        if switch is None:
            await self._rest()
        else:
            await self._carry_out(switch)

    async def _begin(self) -> None:
        if troubles := await self._switching.open():
            self._trip(*troubles)
            return
        self._holding_still = True
        self._frozen(True)
        try:
            await self._still()
        except Exception as error:
            self._trip(str(error) or repr(error))
            return
        # All that took its time, so everything is looked at once more.
        if not self._claim.owner:
            return
        if reasons := self._hindrances():
            self._trip(*reasons)
            return
        self._reasons, self._shown_owner = (), self._claim.owner
        self._sequence.request(self._clock.monotonic_s())

    async def _carry_out(self, switch: Switch) -> None:
        trouble = await self._switching.switch(
            switch.index, switch.on, self._still_raising if switch.on else lambda: True
        )
        if trouble is None:
            return
        now_s, name = self._clock.monotonic_s(), self._switching.name(switch.index)
        if not trouble:
            self._sequence.done(switch, now_s)
        elif switch.on:
            self._sequence.failed(switch, now_s)
            self._trip(f"{name} does not switch on: {trouble}")
        else:
            self._troubles[switch.index] = trouble
            known = switch.index in self._sequence.stuck
            self._sequence.failed(switch, now_s)
            if switch.index in self._sequence.stuck and not known:
                log.error("%s does not switch off: %s", name, trouble)

    def _still_raising(self) -> bool:
        self._watch()
        return self._sequence.phase is Phase.RAISING

    def _still_keyed(self) -> bool:
        self._watch()
        return self._sequence.phase is Phase.KEYED

    async def _rest(self) -> None:
        if self._idle():
            if not self._claim.owner:  # else it has waited for the lowering that just ended
                await self._wake.wait()
            return
        now_s = self._clock.monotonic_s()
        if self._still_keyed() and now_s - self._there_at_s >= THERE_S:
            self._there_at_s = now_s
            if gone := await self._switching.gone(self._still_keyed):
                self._trip(gone)
            return
        next_s = self._sequence.next_s()
        if next_s is None and self._sequence.rf_since_s is not None:
            next_s = self._sequence.rf_since_s + self._settings.longest_over_s
        if next_s is None or next_s - now_s > CHECK_S:
            await self._clock.wait(self._wake, CHECK_S)
        elif next_s - now_s > 2 * FINE_S:
            await self._clock.wait(self._wake, next_s - now_s - FINE_S)
        else:
            await self._fine_wait(now_s, next_s)

    async def _fine_wait(self, now_s: float, next_s: float) -> None:
        """Timers are only good to a millisecond or two, and there is one wait for each output.
        Let others run until the instant has come; a clock that does not move by that is slept
        on."""
        await self._clock.sleep(0.0)
        if self._clock.monotonic_s() == now_s:
            # An instant a rounding away would be waited for again and again, and never come.
            await self._clock.wait(self._wake, max(next_s - now_s, math.ulp(now_s)))

    def _show(self) -> None:
        phase = self._sequence.phase
        if phase is Phase.KEYED:
            self._claim.grant()
        if phase is Phase.IDLE:
            self._shown_owner = ""
            if self._holding_still:
                self._holding_still = False
                self._frozen(False)
        since_utc_s = self.view.since_utc_s if phase is self.view.state else self._clock.utc_s()
        view = KeyingView(phase, self._shown_owner, since_utc_s, self._reasons, self._stuck())
        if view != self.view:
            self.view = view
            self._changed(view)

    # --- the end ----------------------------------------------------------------------------------

    async def _fall(self) -> None:
        """Lower in order, however often cancelled meanwhile; then drop whatever there is."""
        lowering = asyncio.create_task(self._lower(), name="key falls")
        try:
            while not lowering.done():
                try:
                    await asyncio.shield(lowering)
                except asyncio.CancelledError:
                    continue
        finally:
            self._switching.close()
            if self._holding_still:
                self._holding_still = False
                self._frozen(False)

    async def _lower(self) -> None:
        self._claim.end("moontrim is stopping")
        self._sequence.drop(self._clock.monotonic_s())
        self._sequence.forget()  # what ended `run` may have broken off a switch
        self._show()  # nothing else may move from here on
        releases_s = sum(output.release_ms for output in self._settings.outputs) / 1000
        with contextlib.suppress(TimeoutError):
            async with self._clock.timeout(FAREWELL_S + releases_s):
                while not self._sequence.at_rest:
                    self._wake.clear()
                    switch = self._sequence.due(self._clock.monotonic_s())
                    if switch is not None:
                        await self._carry_out(switch)
                    elif not self._sequence.at_rest:
                        await self._rest()
                for index in reversed(self._sequence.stuck):
                    await self._switching.switch(index, False, lambda: True)
        self._show()
