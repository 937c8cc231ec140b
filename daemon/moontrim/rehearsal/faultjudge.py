"""The judge of rehearsed faults: measures how long the daemon takes until it is on frequency again,
by the dials of the simulated radio and the exact path solution, not only by what it says of itself.
Times are of the rehearsal's clock."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np

from moontrim.app.daemon import Daemon
from moontrim.clock.virtual import VirtualClock
from moontrim.path import Ephemeris
from moontrim.rehearsal.dialrecord import DialRecord
from moontrim.rehearsal.idealdials import IdealDials
from moontrim.state.snapshot import Tracking
from moontrim_drivers.simulated.radio import SimulatedRadio

BACK_S = 3.0  # chosen: allowed after a radio has come back, or after a fault that takes no time
GIVE_UP_S = 20.0  # chosen: longer than any retry of the daemon
LOOK_S = 0.05  # chosen: between two looks; the resolution of the times


@dataclass(frozen=True)
class FaultOutcome:
    """One fault and how it was overcome. states: tracking states that the daemon showed meanwhile.
    took_s: until all was well again; None: it never was. effect: a text on what the daemon did."""

    fault: str
    states: tuple[str, ...]
    took_s: float | None
    limit_s: float
    effect: str

    @property
    def passed(self) -> bool:
        """Was it overcome in time?"""
        return self.took_s is not None and self.took_s <= self.limit_s

    def as_json(self) -> dict[str, Any]:
        """Returns plain data for JSON."""
        return {
            "fault": self.fault,
            "states": list(self.states),
            "took_s": self.took_s,
            "limit_s": self.limit_s,
            "effect": self.effect,
            "passed": self.passed,
        }


@dataclass
class FaultNote:
    """The parts of a FaultOutcome that are filled in while the fault lasts."""

    took_s: float | None = None
    limit_s: float = BACK_S
    effect: str = ""


class FaultJudge:
    """Judges the faults of one rehearsed daemon. say: called with a text on each fault before it
    happens. outcomes: so far."""

    def __init__(
        self,
        daemon: Daemon,
        radio: SimulatedRadio,
        clock: VirtualClock,
        ephemeris: Ephemeris,
        say: Callable[[str], object],
    ) -> None:
        self.outcomes: list[FaultOutcome] = []
        self._daemon = daemon
        self._radio = radio
        self._clock = clock
        self._ephemeris = ephemeris
        self._say = say
        self._states: list[str] = []
        self._record = self._begin_record()

    def _begin_record(self) -> DialRecord:
        """Returns a record that grows with every change of the radio: our own echo comes from what
        it sent."""
        record, radio, before = DialRecord(), self._radio, self._radio.on_change

        def changed(monotonic_s: float, rx_hz: int, tx_hz: int | None, transmitting: bool) -> None:
            utc_s = self._clock.utc_s() - self._clock.monotonic_s() + monotonic_s
            record.add(utc_s, rx_hz, tx_hz, transmitting)
            if before is not None:
                before(monotonic_s, rx_hz, tx_hz, transmitting)

        now_s = self._clock.utc_s()
        record.add(now_s, radio.rx_dial_hz, radio.tx_dial_hz, radio.transmitting)
        radio.on_change = changed
        return record

    @asynccontextmanager
    async def fault(self, text: str) -> AsyncIterator[FaultNote]:
        """Encloses one fault, from its cause until it is over, and adds its outcome."""
        self._say(text)
        self._states = []
        note = FaultNote()
        yield note
        outcome = FaultOutcome(text, tuple(self._states), note.took_s, note.limit_s, note.effect)
        self.outcomes.append(outcome)

    def fail_last(self, why: str) -> None:
        """Marks the last fault as not overcome after all."""
        last = self.outcomes.pop()
        self.outcomes.append(FaultOutcome(last.fault, last.states, None, last.limit_s, why))

    async def watch(self) -> None:
        """Records the tracking states that the daemon shows, until cancelled."""
        while True:
            state = (await self._daemon.hub.next()).tracking.value
            if not self._states or self._states[-1] != state:
                self._states.append(state)

    async def back(self) -> float | None:
        """Waits until the daemon is on frequency and returns the seconds; None after GIVE_UP_S."""
        return await self.until(self.on_frequency, GIVE_UP_S)

    async def until(self, is_so: Callable[[], bool], within_s: float) -> float | None:
        """Waits until a condition holds and returns the seconds; None after within_s."""
        began_s = self._clock.monotonic_s()
        while not is_so():
            if self._clock.monotonic_s() - began_s > within_s:
                return None
            await self._clock.sleep(LOOK_S)
        return self._clock.monotonic_s() - began_s

    def on_frequency(self) -> bool:
        """Does the daemon report that it is on frequency, and are the radio's dials within one step
        of the exact path? A transmit dial that is not moved while keyed is not judged."""
        snapshot = self._daemon.hub.latest
        if snapshot is None or snapshot.tracking is not Tracking.ON_FREQUENCY:
            return False
        settings = self._daemon.settings
        band = settings.band(snapshot.band)
        now_s = np.array([self._clock.utc_s()])
        session = self._daemon.session
        ideal = IdealDials(self._ephemeris, settings, session, self._record, now_s[0], now_s[0])
        limit_hz = band.dial_resolution_hz
        off_hz = [self._radio.rx_dial_hz - band.band().dial_hz(ideal.receive(now_s)[0])]
        if self._radio.tx_dial_hz is not None and band.while_transmitting == "step":
            off_hz.append(self._radio.tx_dial_hz - band.tx_band().dial_hz(ideal.transmit(now_s)[0]))
        return all(abs(hz) <= limit_hz for hz in off_hz)

    def sked_hz(self) -> float:
        """Returns the present sked frequency."""
        return self._daemon.session.band_choices(self._daemon.settings).sked_hz
