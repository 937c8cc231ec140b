"""The one task that keys: carries the sequence out, and ends it as soon as anything forbids it.

Four parts do the work: `KeyOwnership` (who holds the key), `hindrances` (what forbids keying),
`Sequence` (which switch is due when) and `Switching` (carries one out). `Keyer.run` is a loop: it
checks for hindrances, begins a sequence if the key has an owner and all is off, carries out the due
switch, and waits. While one is under way, they are checked at least every `switching.POLL_S`.

However `run` ends, by error, by cancellation or at exit, it first lowers the sequence in order and
closes the outputs. It knows no radio, Moon or frequency: these come in as arguments."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
from collections.abc import Awaitable, Callable

from moontrim.clock.system import Clock
from moontrim.config.keying import KeyingSettings
from moontrim.keying.interlocks import Conditions, hindrances
from moontrim.keying.outputs import Output, make_stages
from moontrim.keying.ownership import RELEASE_FIRST, KeyingRefused, KeyOwnership
from moontrim.keying.precisewait import no_wait, wait_towards
from moontrim.keying.sequence import Phase, Sequence, Switch
from moontrim.keying.switching import Switching
from moontrim.keying.view import KeyingView

log = logging.getLogger(__name__)

PRESENCE_S = 0.25  # chosen: how often, while keyed, the outputs are checked to be still present
CHECK_S = 0.05  # chosen: how often the conditions are checked while not released
BAND_CHANGED = "band changed meanwhile"
SHUTDOWN_S = 1.5  # chosen: beyond the release times, for outputs that do not switch off at exit


class Keyer:
    """The transmit sequence of one radio. Made in the event loop; `run` is its only task.

    conditions: returns the state of the station now, at once; an exception inhibits transmit.
    hold_frequency: called with True before the first output is switched on and with False when all
        are off again; in between the frequency must not change.
    changed: called with every new view. used: returns the indices of the band's outputs; None: all.
    frequency_right: awaited before `hold_frequency(True)`: returns when it is as it must be.
    frequency_at_rest: awaited after that: returns when no change is under way any more.
        An exception of either forbids."""

    def __init__(
        self,
        settings: KeyingSettings,
        outputs: tuple[Output, ...],
        clock: Clock,
        conditions: Callable[[], Conditions],
        hold_frequency: Callable[[bool], None],
        changed: Callable[[KeyingView], None] = lambda view: None,
        frequency_at_rest: Callable[[], Awaitable[None]] = no_wait,
        frequency_right: Callable[[], Awaitable[None]] = no_wait,
        used: Callable[[], frozenset[int] | None] = lambda: None,
    ) -> None:
        if len(outputs) != len(settings.outputs):
            raise ValueError("as many outputs as in the settings are needed")
        first = Phase.RELEASING if settings.enabled else Phase.RELEASED
        self.view = KeyingView(state=first, since_utc_s=clock.utc_s())
        self._settings, self._clock = settings, clock
        self._conditions = conditions
        self._hold_frequency = hold_frequency
        self._frequency_at_rest = frequency_at_rest
        self._frequency_right = frequency_right
        self._used = used
        self._changed = changed
        self._sequence = Sequence(make_stages(settings))
        self._wake = asyncio.Event()
        self._switching = Switching(outputs, self._sequence, clock, self._wake)
        self._ownership = KeyOwnership()
        self._shown_owner = ""
        self._reasons: tuple[str, ...] = ()
        self._frequency_held = self._running = False
        self._checked_present_s = -math.inf

    async def request(self, who: str) -> None:
        """Keys for `who`; returns once keyed. Cancelling it is a release. Raises KeyingRefused: not
        allowed, someone else transmits, or it was ended on the way."""
        if not who:
            raise ValueError("a request needs a name")
        if self._ownership.owner != who:
            self._check_request(who)
            self._ownership.take(who)
            self._wake.set()
        try:
            await self._ownership.wait_until_keyed()
        except asyncio.CancelledError:
            self.release(who)
            raise

    def release(self, who: str) -> None:
        """Unkeys if `who` holds the key; otherwise harmless."""
        if self._ownership.release(who):
            self._drop()

    def withdraw(self, who: str) -> None:
        """Unkeys as `release` does, but one whose over was ended must still release first."""
        if who and who == self._ownership.owner:
            self._ownership.end("withdrawn")
            self._drop()

    @property
    def rounds(self) -> int:
        """A number that grows while the task goes round, and so would end an over."""
        return self._switching.rounds

    @property
    def rf_since_s(self) -> float | None:
        """The monotonic instant since which there may be RF of ours; None: there is none."""
        return self._sequence.rf_since_s

    def recheck(self) -> None:
        """Makes the task check the conditions now."""
        self._wake.set()

    async def run(self) -> None:
        """Serves requests until cancelled. Returns at once where keying is off."""
        if not self._settings.enabled:
            return
        try:
            for trouble in await self._switching.open():
                log.warning("keying: %s", trouble)
            self._running = True
            while True:
                await self._step()
        finally:
            self._running = False
            await self._shut_down()

    def _check_request(self, who: str) -> None:
        if not self._settings.enabled:
            raise KeyingRefused("keying is not enabled in the config")
        if not self._running:
            raise KeyingRefused("keying is not running")
        if self._ownership.owner:
            raise KeyingRefused(f"{self._ownership.owner} is transmitting")
        reasons = self._hindrances()
        if self._ownership.must_release_first(who):
            reasons = (RELEASE_FIRST, *self._reasons)
        if reasons:
            self._reasons = reasons
            self._show()
            raise KeyingRefused(*reasons)

    def _hindrances(self) -> tuple[str, ...]:
        try:
            conditions = self._conditions()
        except Exception as error:
            log.exception("conditions")
            return (f"interlocks cannot be evaluated: {error!r}",)
        over_s = self._sequence.rf_s(self._clock.monotonic_s())
        return self._switching.stuck() + hindrances(conditions, self._settings, over_s)

    def _check(self) -> None:
        """Ends the over if anything forbids it."""
        if self._sequence.phase in (Phase.KEYING, Phase.KEYED) and (reasons := self._hindrances()):
            self._trip(*reasons)
        elif self._ownership.owner and (reasons := self._switching.stuck()):
            # Otherwise an owner who waits for the lowering would be keyed when it ends, minutes on.
            self._trip(*reasons)

    def _trip(self, *reasons: str) -> None:
        self._reasons = reasons
        log.warning("TX interlock: %s", "; ".join(reasons))
        self._ownership.revoke(*reasons)
        self._sequence.drop(self._clock.monotonic_s())

    def _drop(self) -> None:
        self._sequence.drop(self._clock.monotonic_s())
        self._wake.set()

    async def _step(self) -> None:
        self._wake.clear()
        self._check()
        if self._ownership.owner and self._sequence.phase is Phase.RELEASED:
            await self._begin()
        switch = self._sequence.due(self._clock.monotonic_s())
        self._show()
        await (self._wait() if switch is None else self._carry_out(switch))

    async def _begin(self) -> None:
        used = self._used()
        if troubles := await self._switching.open(used):
            self._trip(*troubles)
            return
        try:
            await self._frequency_right()
            self._set_frequency_held(True)
            await self._frequency_at_rest()
        except Exception as error:
            self._trip(str(error) or repr(error))
            return
        # These waits took time, so everything is checked once more.
        if not self._ownership.owner:
            return
        if reasons := self._hindrances() or (BAND_CHANGED,) * (used != self._used()):
            self._trip(*reasons)
        else:
            self._reasons, self._shown_owner = (), self._ownership.owner
            self._sequence.request(self._clock.monotonic_s(), used)

    async def _carry_out(self, switch: Switch) -> None:
        # A switch-on is broken off as soon as the over is; a switch-off never.
        is_wanted = (lambda: self._remains(Phase.KEYING)) if switch.on else (lambda: True)
        if trouble := await self._switching.carry_out(switch, is_wanted):
            self._trip(trouble)

    def _remains(self, phase: Phase) -> bool:
        self._check()
        return self._sequence.phase is phase

    async def _wait(self) -> None:
        """Waits until something may have to be done; while keyed, also checks the outputs."""
        self._switching.rounds += 1
        if self._sequence.phase is Phase.RELEASED:
            if not self._ownership.owner:  # else they waited for the lowering that has just ended
                await self._wake.wait()
            return
        now_s = self._clock.monotonic_s()
        if self._remains(Phase.KEYED) and now_s - self._checked_present_s >= PRESENCE_S:
            self._checked_present_s = now_s
            if missing := await self._switching.find_missing(lambda: self._remains(Phase.KEYED)):
                self._trip(missing)
            return
        next_s, rf_since_s = self._sequence.next_s(), self._sequence.rf_since_s
        if next_s is None and rf_since_s is not None:
            next_s = rf_since_s + self._settings.longest_over_s
        await wait_towards(self._clock, self._wake, next_s, CHECK_S)

    def _show(self) -> None:
        phase = self._sequence.phase
        if phase is Phase.KEYED:
            self._ownership.confirm_keyed()
        if phase is Phase.RELEASED:
            self._shown_owner = ""
            self._set_frequency_held(False)
        stuck, utc_s = self._switching.stuck(), self._clock.utc_s()
        view = self.view.after(phase, utc_s, self._shown_owner, self._reasons, stuck)
        if view != self.view:
            self.view = view
            self._changed(view)

    def _set_frequency_held(self, held: bool) -> None:
        if held or self._frequency_held:
            self._frequency_held = held
            self._hold_frequency(held)

    async def _shut_down(self) -> None:
        """Lowers in order, however often it is cancelled meanwhile, then closes every output."""
        lowering = asyncio.create_task(self._lower(), name="release of the outputs")
        try:
            while not lowering.done():
                try:
                    await asyncio.shield(lowering)
                except asyncio.CancelledError:
                    continue
        finally:
            self._switching.close()
            self._set_frequency_held(False)

    async def _lower(self) -> None:
        self._ownership.end("moontrim is stopping")
        self._sequence.drop(self._clock.monotonic_s())
        self._sequence.abandon_switch()  # what ended `run` may have broken one off
        self._show()  # from here on nothing but this task acts on the sequence
        with contextlib.suppress(TimeoutError):
            async with self._clock.timeout(SHUTDOWN_S + self._sequence.releases_s):
                while not self._sequence.at_rest:
                    self._wake.clear()
                    switch = self._sequence.due(self._clock.monotonic_s())
                    if switch is not None:
                        await self._carry_out(switch)
                    elif not self._sequence.at_rest:
                        await self._wait()
                await self._switching.retry_stuck()
        self._show()
