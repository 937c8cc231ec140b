"""Looks at the radio and holds what is shown of it.

A look has two halves, `read` and `enforce`; between them the dials are compared with where they
were left (`Dials.look`), so that a dial turned by hand is reported before the radio is unkeyed.
Calls the transmit guard and the driver."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from moontrim.clock.system import Clock
from moontrim.formats import grouped
from moontrim.rig.deadline import DeadlineDriver
from moontrim.rig.latency import Durations
from moontrim.rig.steplog import StepLog
from moontrim.rig.transmitguard import TransmitGuard
from moontrim.rig.view import LinkEvent, LinkView, Updated
from moontrim_drivers.contract import RigGarbled, RigRefused, RigState

SPARE_S = (
    0.01  # between the look before a set and the set; chosen: well above the jitter of a timer
)


class Readback:
    """Holds the last read-back, corrected by the guard, in a view.

    view: what is known of the radio. read_at_s: when it was last read, in monotonic seconds.
    look_requested: a look is to be taken at once, and reported by `Updated`."""

    def __init__(
        self,
        driver: DeadlineDriver,
        guard: TransmitGuard,
        clock: Clock,
        report: Callable[[LinkEvent], object],
        durations: Durations,
        steps: StepLog,
    ) -> None:
        self.view = LinkView()
        self.read_at_s = 0.0
        self.look_requested = False
        self._driver = driver
        self._guard = guard
        self._clock = clock
        self._report = report
        self._durations = durations
        self._steps = steps
        self._answering_request = False  # in the look under way

    def show(self, **changes: object) -> None:
        """Changes fields of the view."""
        self.view = replace(self.view, **changes)  # type: ignore[arg-type]

    @property
    def receiving(self) -> bool:
        """Was the radio receiving when it was last read, as far as it is known? False while it does
        not answer."""
        return self.view.rig is not None and not self.view.rig.transmitting

    def is_recent(self, in_s: float = 0.0) -> bool:
        """Will the last look be recent enough, so many seconds from now, to set the radio?"""
        age_s = self._clock.monotonic_s() + in_s - self.read_at_s
        return age_s <= self._durations.look_s() + 2 * SPARE_S

    def forget_dials(self) -> None:
        """Forgets where the dials were, so that the next reading is noted in any case."""
        self._steps.forget()

    def request_look(self) -> None:
        """Asks for a look as soon as the link's task gets to it."""
        self.look_requested = True

    async def read(self) -> RigState:
        """Reads the radio, shows that, and returns what the radio itself said, uncorrected. Raises
        RigError when there is no usable answer."""
        self._answering_request, self.look_requested = self.look_requested, False
        began_s = self._clock.monotonic_s()
        try:
            rig = await self._driver.read()
        except RigRefused as error:
            raise RigGarbled(f"reading the radio failed: {error}") from error
        self._durations.looked(self._clock.monotonic_s() - began_s)
        self.accept(rig)
        return rig

    async def enforce(self, rig: RigState) -> None:
        """Ends a look: unkeys a radio that must not transmit, and reports a look that was asked
        for. rig: as `read` returned it. Raises RigError when there is no usable answer."""
        if await self._guard.enforce(rig):
            self.request_look()
        if self._answering_request:
            self._report(Updated(on_request=True))

    def accept(self, rig: RigState) -> None:
        """Shows a read-back, whatever it comes from, and reports what is new about transmitting.
        Raises RigGarbled if a dial cannot be right, or if the radio has left split operation: it
        would transmit on the receive dial, and opening it anew sets split again."""
        if rig.tx_dial_hz is None and self._driver.capabilities.split:
            raise RigGarbled("the radio has left split operation")
        if min(rig.rx_dial_hz, rig.tx_dial_hz or 1) <= 0:
            dials_hz = (hz for hz in (rig.rx_dial_hz, rig.tx_dial_hz) if hz is not None)
            dials = ", ".join(map(grouped, dials_hz))
            raise RigGarbled(f"the radio reports a dial of {dials} Hz")
        self._steps.was_read({"rx": rig.rx_dial_hz, "tx": rig.tx_dial_hz}, self._clock.utc_s())
        rig = self._guard.correct(rig)
        before = self.view.rig
        self.read_at_s = self._clock.monotonic_s()
        if rig != before:
            self.show(rig=rig)
        self.update_interlock()
        self._guard.report_transmit(before, rig)

    def update_interlock(self) -> None:
        """Shows and reports whether the radio, as last read back, may transmit."""
        if self._guard.judge(self.view.rig):
            self.show(interlock=self._guard.interlock)
            self._guard.report_interlock()
