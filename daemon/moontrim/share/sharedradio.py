"""The radio as all clients share it: carries out their actions through the daemon.

Owns the order in which changes reach the tracker, their deadlines, and the way from a client's
transmit request to the keying. Knows no socket. Every failure becomes a report code; only
cancellation is raised."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from typing import Protocol

from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.errors import MoontrimError
from moontrim.formats import grouped
from moontrim.session.commands import Command
from moontrim.session.session import Session
from moontrim.share.actions import SetMode
from moontrim.share.protocol import NOT_AVAILABLE, OK, REJECTED, TIMED_OUT, whole_hz
from moontrim.share.sked import TuneTo, band_for
from moontrim.share.stepping import WITHIN_S, Stepping
from moontrim.share.view import Abilities, ShareView, view_of
from moontrim.state.hub import StateHub
from moontrim.state.snapshot import Tracking
from moontrim_drivers.contract import RigDetails, RigError, RigTimeout

log = logging.getLogger(__name__)

SOURCE = "share"  # who chose, in the session and the journal
DEADLINE_S = 3.0  # chosen: for the tracker or the radio to answer
TUNE_INTERVAL_S = 0.02  # chosen: between changes of frequency, of all clients together
NO_BAND = "no band of the present front end; to change the front end, choose the band at the page"
ARRIVAL_S = 2.0  # chosen: for a dial that is being set, before a transmit request is decided
CORRECTS = (
    "a program on the share corrects for Doppler as well, so its frequencies are refused; "
    "switch its correction off"
)
KEYING_S = 15.0  # for the whole transmit sequence, whose settle times are 10 s at most


class Transmit(Protocol):
    """The keying, as the share uses it."""

    async def request(self, who: str) -> None:
        """Keys for `who` and returns once keyed. Raises MoontrimError with the reason if not; then
        `who` does not have the key, but must release it to ask again. Cancelling releases."""

    def release(self, who: str) -> None:
        """Unkeys if `who` has the key or waits for it; otherwise does nothing."""

    def transmitting(self) -> bool:
        """Is the radio transmitting, about to, or ceasing to, for any client or reason?"""


@dataclass(frozen=True, slots=True)
class RigAccess:
    """The radio's mode and power, as far as the daemon offers them; None is answered with "not
    available". Each function may raise RigError or MoontrimError.

    set_mode(mode, passband_hz): 0 is the mode's normal passband. set_power(fraction): called only
    while not transmitting and never above the band's drive ceiling; the function checks the ceiling
    as well, since the band may change meanwhile."""

    details: Callable[[], Awaitable[RigDetails]] | None = None
    set_mode: Callable[[str, int], Awaitable[None]] | None = None
    set_power: Callable[[float], Awaitable[None]] | None = None


class DaemonAccess(Protocol):
    """The part of the daemon that the share uses."""

    @property
    def hub(self) -> StateHub: ...
    @property
    def settings(self) -> Settings: ...
    @property
    def session(self) -> Session: ...
    async def ask(self, command: Command) -> Session: ...
    async def unsaved(self, clock: Clock) -> str: ...


class SharedRadio:
    """The radio behind all clients of one share. An int that is returned is a report code."""

    def __init__(
        self, daemon: DaemonAccess, transmit: Transmit | None, rig: RigAccess, clock: Clock
    ) -> None:
        self.clock = clock
        self._daemon = daemon
        self._transmit = transmit
        self._rig = rig
        self._turn = asyncio.Lock()
        self._next_change_s = clock.monotonic_s()
        self._stepping = Stepping()
        self._corrects_until_s = -WITHIN_S
        self._can = Abilities(
            keys=transmit is not None,
            reads_details=rig.details is not None,
            sets_mode=rig.set_mode is not None,
            sets_power=rig.set_power is not None,
        )

    def view(self) -> ShareView | None:
        """Returns the present view; None before the first snapshot."""
        latest = self._daemon.hub.latest
        if latest is None:
            return None
        transmitting = latest.transmitting
        if self._transmit is not None:
            transmitting = self._transmit.transmitting()
        chosen = self._daemon.session.band_choices(self._daemon.settings)
        view = view_of(latest, self._daemon.settings, transmitting, self._can)
        return replace(view, settled=whole_hz(chosen.sked_hz) == view.sked_hz)

    @property
    def warning(self) -> str:
        """What the operator should know of the programs on the share; empty: nothing."""
        return CORRECTS if self.clock.monotonic_s() < self._corrects_until_s else ""

    # --- changes ----------------------------------------------------------------------------------

    async def tune(self, hz: int) -> int:
        """Moves the sked frequency, and the band where needed; returns once it is in force and on
        disk. The protocol has no code for "done, but not saved", so a disk that refuses, or is
        slow, is only logged and shown: the radio is on the frequency."""
        async with self._turn:
            await self.clock.sleep(self._next_change_s - self.clock.monotonic_s())
            view = self.view()
            band = None if view is None else band_for(hz, view.band, self._daemon.settings)
            if view is None or band is None or (band != view.band and view.transmitting):
                log.info("share: refused: sked %s Hz, on %s", grouped(hz), band or NO_BAND)
                return REJECTED
            self._next_change_s = self.clock.monotonic_s() + TUNE_INTERVAL_S
            if self._stepping.goes_on(self.clock.monotonic_s(), hz, view.sked_hz):
                await self._take_steps_back()
                return REJECTED
            code = await self._try(self._apply(TuneTo(SOURCE, hz)))
        if code == OK and (reason := await self._daemon.unsaved(self.clock)):
            log.warning("share: sked %s Hz not saved: %s", grouped(hz), reason)
        return code

    async def _take_steps_back(self) -> None:
        known, now_s = bool(self.warning), self.clock.monotonic_s()
        self._corrects_until_s = now_s + WITHIN_S
        if not known:
            log.warning("share: %s", CORRECTS)
            if self._stepping.begun_at_hz is not None:
                await self._try(self._apply(TuneTo(SOURCE, self._stepping.begun_at_hz)))

    async def _apply(self, command: TuneTo) -> None:
        """Returns once the snapshot shows the change: the client may read it back at once."""
        await self._daemon.ask(command)
        hub = self._daemon.hub
        if hub.latest is None or whole_hz(hub.latest.sked_hz) != command.hz:
            await hub.next()

    async def set_mode(self, wanted: SetMode) -> int:
        """Sets mode and passband."""
        if self._rig.set_mode is None:
            return NOT_AVAILABLE
        passband_hz = wanted.passband_hz
        if passband_hz is None:  # unchanged: known only if it can be read, and for the same mode
            passband_hz = 0
            details = await self.details()
            if isinstance(details, RigDetails) and details.mode == wanted.mode:
                passband_hz = details.passband_hz or 0
        return await self._try(self._rig.set_mode(wanted.mode, passband_hz))

    async def set_power(self, fraction: float) -> int:
        """Sets the power, as a fraction of full power."""
        if self._rig.set_power is None:
            return NOT_AVAILABLE
        return await self._try(self._rig.set_power(fraction))

    async def details(self) -> RigDetails | int:
        """Returns mode and power, or a report code."""
        if self._rig.details is None:
            return NOT_AVAILABLE
        results: list[RigDetails] = []

        async def look(ask: Awaitable[RigDetails]) -> None:
            results.append(await ask)

        code = await self._try(look(self._rig.details()))
        return results[0] if code == OK else code

    async def _try(self, doing: Awaitable[object], within_s: float = DEADLINE_S) -> int:
        """Awaits it within a deadline and returns how it went, as a report code."""
        try:
            async with self.clock.timeout(within_s):
                await doing
        except (TimeoutError, RigTimeout):
            return TIMED_OUT
        except (MoontrimError, RigError) as error:
            log.info("share: refused: %s", error)
            return REJECTED
        except Exception:
            log.exception("share")
            return REJECTED
        return OK

    # --- transmitting -----------------------------------------------------------------------------

    async def key(self, who: str, dropped: asyncio.Event) -> int:
        """Runs the keying sequence for a client until it is keyed, refused, or `dropped` is set.
        Releases the key in every case but success and the keying's own refusal."""
        if self._transmit is None:
            return NOT_AVAILABLE
        asking = asyncio.create_task(self._request(self._transmit, who), name=f"key for {who}")
        dropping = asyncio.create_task(dropped.wait(), name=f"{who} drops the key")
        code, refused = REJECTED, False
        try:
            await asyncio.wait({asking, dropping}, return_when=asyncio.FIRST_COMPLETED)
            if not dropped.is_set():
                code, refused = asking.result()
        finally:
            # The keying's own refusal stays as it is: a client whose key was withdrawn must
            # release it itself before it may ask again.
            if code != OK and not refused:
                self.unkey(who)
            asking.cancel()
            dropping.cancel()
            await asyncio.gather(asking, dropping, return_exceptions=True)
        return code

    async def _request(self, transmit: Transmit, who: str) -> tuple[int, bool]:
        """Returns the report code, and whether the keying itself refused."""
        refusals: list[MoontrimError] = []

        async def request() -> None:
            try:
                await transmit.request(who)
            except MoontrimError as refusal:
                refusals.append(refusal)
                raise

        await self._wait_for_dial()
        return await self._try(request(), KEYING_S), bool(refusals)

    async def _wait_for_dial(self) -> None:
        """Waits until the dial is set: programs set a frequency and key immediately afterwards."""
        hub = self._daemon.hub
        try:
            async with self.clock.timeout(ARRIVAL_S):
                while hub.latest is not None and hub.latest.tracking is Tracking.OFF_FREQUENCY:
                    await hub.next()
        except TimeoutError:
            pass  # the keying then refuses, with the reason

    def unkey(self, who: str) -> None:
        """Releases a client's key, whether it has it or not."""
        if self._transmit is not None:
            try:
                self._transmit.release(who)
            except Exception:
                log.exception("share: releasing the key of %s", who)
