"""The things that outlive the daemon: clock, radio, relays, contacts and disk, each with the faults
that it can have. Each reports what really happens to it to a `Witness`."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import heapq
import math
import random
from collections import deque
from collections.abc import Callable
from typing import Any, Protocol
from unittest.mock import patch

from moontrim.clock.virtual import VirtualClock
from moontrim.session.session import Session
from moontrim.timekeeping.clockjumps import STEP_S
from moontrim.timekeeping.reading import ClockReading, unsynchronised
from moontrim_drivers.contract import RigGarbled, RigState
from moontrim_drivers.simulated.options import SimulatedOptions
from moontrim_drivers.simulated.radio import SimulatedRadio

MOST_PASSES = 200_000  # of the event loop at one instant; a flood takes some hundreds


class Hung(KeyboardInterrupt):
    """Raised when time does not move on. Not an Exception, so that neither the daemon nor an event
    loop catches it."""


class _Call(asyncio.Handle):
    """What the loop is to call, made with less ado, and called without regard to context variables:
    nothing in the daemon has any."""

    __slots__ = ()

    def __init__(self, callback: Callable[..., object], args: tuple[Any, ...]) -> None:
        self._callback, self._args, self._cancelled = callback, args, False

    def cancel(self) -> None:
        self._cancelled = True


class _Loop(asyncio.SelectorEventLoop):
    """asyncio's own, but that it asks the kernel for nothing while there is anything to do or
    anybody waits for the clock: there are neither sockets nor threads in a soak, nor timers of the
    loop's own. Raises Hung when time stands still."""

    _ready: deque[asyncio.Handle]
    _stopping: bool

    def __init__(self, clock: SoakClock) -> None:
        super().__init__()
        self._clock = clock

    def call_soon(
        self, callback: Callable[..., object], *args: Any, context: object = None
    ) -> asyncio.Handle:
        call = _Call(callback, args)
        self._ready.append(call)
        return call

    def _run_once(self) -> None:
        ready, passes = self._ready, 0
        while not self._stopping:
            if not ready:
                if not self._clock.go_on():
                    raise Hung("everybody waits for somebody else")
                passes = 0
            for _ in range(len(ready)):
                handle = ready.popleft()
                if not handle._cancelled:
                    try:
                        handle._callback(*handle._args)
                    except Exception as error:
                        self.call_exception_handler({"message": "callback", "exception": error})
            passes += 1
            self._clock.passes += 1
            if passes > MOST_PASSES:
                raise Hung(f"{MOST_PASSES} passes of the event loop at one instant")


class SoakClock(VirtualClock):
    """jumps, steps, stalls: how often UTC was set or the machine slept, the same without those that
    were taken back before anybody can have seen them, and how often the event loop was held up."""

    jumps = steps = stalls = 0
    passes = 0  # of the event loop, in all
    disturbed_at_s = -math.inf  # when UTC last jumped, by a step or a suspension
    _before = (-math.inf, 0.0, -math.inf)  # of the latest step: when, and what was so until then

    def _new_loop(self) -> asyncio.AbstractEventLoop:
        """One in which time that stands still raises Hung."""
        return _Loop(self)

    def go_on(self) -> bool:
        """To the next alarm; False if nobody waits for one."""
        heap = self._heap
        while heap and heap[0][2] is None:
            heapq.heappop(heap)
        if not heap:
            return False
        self.advance()
        return True

    def step_utc(self, by_s: float) -> None:
        stood_s = self._start_utc_s
        super().step_utc(by_s)
        at_s, before_s, disturbed_at_s = self._before
        self._before = (self._now_s, stood_s, self.disturbed_at_s)
        if self._now_s - at_s < 1.0 and abs(self._start_utc_s - before_s) < STEP_S:
            self.jumps += 1
            self.steps -= 1
            self.disturbed_at_s = disturbed_at_s
        else:
            self._jumped()

    def suspend(self, for_s: float) -> None:
        super().suspend(for_s)
        self._jumped()

    def _jumped(self) -> None:
        self.jumps += 1
        self.steps += 1
        self.disturbed_at_s = self._now_s

    def stall(self, duration_s: float) -> None:
        """The process did not run for so long, while the world and both clocks did."""
        self._now_s += duration_s
        self.stalls += 1

    def waiting(self) -> int:
        """Alarms that somebody still waits for."""
        return sum(sleeper is not None for _, _, sleeper in self._heap)


class Witness(Protocol):
    """Receives every event at the instant at which it happens."""

    def relay(self, index: int, on: bool) -> None: ...
    def radio(self) -> None: ...
    def written(self, what: str) -> None: ...
    def wrote_dials(self, rx_hz: int | None, tx_hz: int | None) -> None: ...
    def wrote_power(self, fraction: float) -> None: ...
    def wrote_mode(self, mode: str) -> None: ...


class WatchedRadio(SimulatedRadio):
    """The radio with one more way to key it, a line, and with a record of who keyed it and when.

    ours: keyed by command or by line, which only the daemon does."""

    keyed_by_line = False
    witness: Witness | None = None

    @property
    def transmitting(self) -> bool:
        return self.keyed_by_line or super().transmitting

    @property
    def ours(self) -> bool:
        return self.keyed_by_line or self._keyed_by_command

    @property
    def by_hand(self) -> bool:
        return self._keyed_by_hand

    @property
    def transmit_dial_hz(self) -> int:
        """Where it transmits, or would."""
        dial_hz = self.tx_dial_hz
        return self.rx_dial_hz if dial_hz is None else dial_hz

    def key_line(self, on: bool) -> None:
        self.keyed_by_line = on
        self._report_change()

    def reachable(self) -> None:
        """Plugged in again, however long it was to be away."""
        self._reachable_from_s = -math.inf

    def turn(self, rx_by_hz: int, tx_by_hz: int) -> None:
        """Both knobs, by hand."""
        self._tx_hz = self._rounded(self._tx_hz + tx_by_hz)
        self.turn_dial(rx_by_hz)

    def _report_change(self) -> None:
        super()._report_change()
        if self.witness is not None:
            self.witness.radio()


class Wire:
    """Spoils answers between radio and daemon. spoil is applied to every read-back."""

    def __init__(self, clock: SoakClock) -> None:
        self._clock = clock
        self._states: deque[tuple[float, RigState]] = deque(maxlen=64)
        self.garble_probability = 0.0
        self.stale_s = 0.0
        self.wrong_by_hz = 0
        self.chance = random.Random(0)

    @property
    def lies(self) -> bool:
        return self.stale_s > 0.0 or self.wrong_by_hz != 0

    def spoil(self, state: RigState) -> RigState:
        now_s = self._clock.monotonic_s()
        self._states.append((now_s, state))
        if self.garble_probability and self.chance.random() < self.garble_probability:
            raise RigGarbled("the answer makes no sense")
        if self.stale_s:
            old = [state for at_s, state in self._states if at_s <= now_s - self.stale_s]
            state = old[-1] if old else state
        if self.wrong_by_hz:
            rx_hz = max(1, state.rx_dial_hz + self.wrong_by_hz)
            state = RigState(rx_hz, state.tx_dial_hz, state.transmitting)
        return state


class TimeSource:
    """The source that sets the clock. Its faults: `unsynchronised`, `bound_s` (a large
    uncertainty), `gone`, `idle` (it no longer compares the clock with anything).

    bad_since_s: when a daemon was first informed that the clock is not good; looked_s: when it last
    requested it. Both start again with each life."""

    def __init__(self, clock: SoakClock) -> None:
        self._clock = clock
        self._compared = 0
        self.unsynchronised = self.gone = self.idle = False
        self.bound_s = 0.0
        self.bad_since_s, self.looked_s = math.inf, 0.0

    def begin(self) -> None:
        """Another life asks from now on."""
        self.bad_since_s, self.looked_s = math.inf, self._clock.monotonic_s()

    async def read(self) -> ClockReading | None:
        self.looked_s = self._clock.monotonic_s()
        if self.gone:
            return None  # what was said before still counts
        self._compared += not self.idle
        bad = self.unsynchronised or self.bound_s > 0.5
        self.bad_since_s = min(self.bad_since_s, self.looked_s) if bad else math.inf
        if self.unsynchronised:
            return unsynchronised("simulated source", "lost its peers")
        return ClockReading("simulated source", True, self.bound_s, 0.0, "", self._compared)


class Coil:
    """One relay. Its troubles: `stuck_off`, `stuck_on` (the command raises), `slow_s` (it takes so
    long), `unsure` (it switches, and then raises)."""

    def __init__(self, index: int, witness: Callable[[int, bool], None]) -> None:
        self.index = index
        self.on = False
        self.since_s = -math.inf
        self.stuck_on = self.stuck_off = self.unsure = False
        self.slow_s = 0.0
        self._witness = witness

    def switch(self, on: bool, now_s: float) -> None:
        if on != self.on:
            self.on, self.since_s = on, now_s
            self._witness(self.index, on)

    @property
    def sound(self) -> bool:
        return not (self.stuck_on or self.stuck_off or self.unsure or self.slow_s)


class Disk:
    """Runs what the daemon passes to a thread, in virtual time. error: raised by every write.
    saved: the session that was written last."""

    def __init__(self, clock: SoakClock) -> None:
        self._clock = clock
        self.error: int | None = None
        self.slow_s = 0.0
        self.writes = 0
        self.saved: Session | None = None

    @property
    def sound(self) -> bool:
        """Whether it takes everything, and at once."""
        return self.error is None and not self.slow_s

    async def to_thread(self, call: Callable[..., Any], *args: Any) -> Any:
        await self._clock.sleep(0.002 + self.slow_s)
        self.writes += 1
        if self.error is None:
            done = call(*args)
            self.saved = next((one for one in args if isinstance(one, Session)), self.saved)
            return done
        broken = OSError(self.error, errno.errorcode[self.error])
        calls = ("os.open", "os.unlink") if self.error == errno.EROFS else ("os.fsync",)
        with contextlib.ExitStack() as patched:
            for name in calls:
                patched.enter_context(patch(name, side_effect=broken))
            return call(*args)


class Station:
    """Everything at the station."""

    def __init__(
        self, options: SimulatedOptions, clock: SoakClock, coils: int, witness: Witness
    ) -> None:
        self.clock = clock
        self.options = options
        self.radio = WatchedRadio(options, clock)
        self.radio.witness = witness
        self.witness = witness
        self.wire = Wire(clock)
        self.coils = [Coil(index, witness.relay) for index in range(coils)]
        self.key_coil = Coil(coils, lambda index, on: self.radio.key_line(on))
        self.disk = Disk(clock)
        self.time_source = TimeSource(clock)
        self.contact_closed = False
        self.contact_broken = False
