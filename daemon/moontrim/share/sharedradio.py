"""The radio as all clients share it: what is to be done is done here, through the daemon.

Owns the order in which changes reach the tracker, their deadlines, and the way from a client's
transmit request to the keying. Knows no socket. Whatever goes wrong becomes a report code; nothing
is raised but cancellation."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from typing import Protocol

from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.errors import MoontrimError
from moontrim.session.commands import Command
from moontrim.session.session import Session
from moontrim.share.actions import SetMode
from moontrim.share.protocol import NOT_AVAILABLE, OK, REJECTED, TIMED_OUT, whole_hz
from moontrim.share.sked import TuneTo, band_for
from moontrim.share.view import Abilities, ShareView, view_of
from moontrim.state.hub import StateHub
from moontrim.state.snapshot import Tracking
from moontrim_drivers.contract import RigDetails, RigError, RigTimeout

log = logging.getLogger(__name__)

SOURCE = "share"
DEADLINE_S = 3.0  # for the tracker or the radio to answer
APART_S = 0.02  # changes of frequency follow no closer, whoever asks for them
ARRIVAL_S = 2.0  # a dial on its way gets this long to arrive before a transmit request is judged
KEYING_S = 15.0  # for the whole transmit sequence; its settle times are 10 s at most


class Transmit(Protocol):
    """The keying, as the share uses it."""

    async def request(self, who: str) -> None:
        """Key for `who`; returns once keyed. MoontrimError says why not, and `who` has not the key
        then, though they have not let go of it. Cancelled: a release."""

    def release(self, who: str) -> None:
        """Unkey if `who` has the key or is waiting for it; otherwise harmless."""

    def transmitting(self) -> bool:
        """Does the radio transmit, or is about to or just ceasing to, whoever keyed it?"""


@dataclass(frozen=True, slots=True)
class RigAccess:
    """The radio's mode and power, as far as the daemon can give them; what is None is answered
    with "not available". Each may raise RigError or MoontrimError.

    set_mode(mode, passband_hz): 0 is the mode's normal passband. set_power(fraction): only called
    while not transmitting and never above the band's drive ceiling; whoever gives it holds to the
    ceiling as well, as the band may change meanwhile."""

    details: Callable[[], Awaitable[RigDetails]] | None = None
    set_mode: Callable[[str, int], Awaitable[None]] | None = None
    set_power: Callable[[float], Awaitable[None]] | None = None


class Shared(Protocol):
    """What the share needs of the daemon."""

    @property
    def hub(self) -> StateHub: ...
    @property
    def settings(self) -> Settings: ...
    @property
    def session(self) -> Session: ...
    async def ask(self, command: Command) -> Session: ...


class SharedRadio:
    """One for all clients."""

    def __init__(
        self, daemon: Shared, transmit: Transmit | None, rig: RigAccess, clock: Clock
    ) -> None:
        self.clock = clock
        self._daemon = daemon
        self._transmit = transmit
        self._rig = rig
        self._turn = asyncio.Lock()
        self._next_change_s = clock.monotonic_s()
        self._can = Abilities(
            keys=transmit is not None,
            reads_details=rig.details is not None,
            sets_mode=rig.set_mode is not None,
            sets_power=rig.set_power is not None,
        )

    def view(self) -> ShareView | None:
        """The present; None as long as nothing is known."""
        latest = self._daemon.hub.latest
        if latest is None:
            return None
        transmitting = latest.transmitting
        if self._transmit is not None:
            transmitting = self._transmit.transmitting()
        chosen = self._daemon.session.here(self._daemon.settings)
        view = view_of(latest, self._daemon.settings, transmitting, self._can)
        return replace(view, settled=whole_hz(chosen.sked_hz) == view.sked_hz)

    # --- changes ----------------------------------------------------------------------------------

    async def tune(self, hz: int) -> int:
        """Move the sked frequency, band and all; done when the tracker has taken it."""
        async with self._turn:
            await self.clock.sleep(self._next_change_s - self.clock.monotonic_s())
            view = self.view()
            band = None if view is None else band_for(hz, view.band, self._daemon.settings)
            if view is None or band is None or (band != view.band and view.transmitting):
                log.info("share: refused: sked %d Hz, on %s", hz, band or "no configured band")
                return REJECTED
            self._next_change_s = self.clock.monotonic_s() + APART_S
            return await self._try(self._take(TuneTo(SOURCE, hz)))

    async def _take(self, command: TuneTo) -> None:
        """Done once what everyone sees includes it: the client may ask at once what it is now."""
        await self._daemon.ask(command)
        hub = self._daemon.hub
        if hub.latest is None or whole_hz(hub.latest.sked_hz) != command.hz:
            await hub.next()

    async def set_mode(self, wanted: SetMode) -> int:
        if self._rig.set_mode is None:
            return NOT_AVAILABLE
        passband_hz = wanted.passband_hz
        if passband_hz is None:  # as it is: only known where it can be read, and of this mode
            passband_hz = 0
            details = await self.details()
            if isinstance(details, RigDetails) and details.mode == wanted.mode:
                passband_hz = details.passband_hz or 0
        return await self._try(self._rig.set_mode(wanted.mode, passband_hz))

    async def set_power(self, fraction: float) -> int:
        if self._rig.set_power is None:
            return NOT_AVAILABLE
        return await self._try(self._rig.set_power(fraction))

    async def details(self) -> RigDetails | int:
        """Mode and power, or a report code."""
        if self._rig.details is None:
            return NOT_AVAILABLE
        found: list[RigDetails] = []

        async def look(ask: Awaitable[RigDetails]) -> None:
            found.append(await ask)

        code = await self._try(look(self._rig.details()))
        return found[0] if code == OK else code

    async def _try(self, doing: Awaitable[object], within_s: float = DEADLINE_S) -> int:
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
        """Run the keying sequence for a client, until keyed, refused, or `dropped`. Whatever ends
        it otherwise, the key is let go of."""
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
            # Whose key was dropped must let go of it by itself: a refusal is no release.
            if code != OK and not refused:
                self.unkey(who)
            asking.cancel()
            dropping.cancel()
            await asyncio.gather(asking, dropping, return_exceptions=True)
        return code

    async def _request(self, transmit: Transmit, who: str) -> tuple[int, bool]:
        """The report, and whether that is the keying's own refusal."""
        refusals: list[MoontrimError] = []

        async def request() -> None:
            try:
                await transmit.request(who)
            except MoontrimError as refusal:
                refusals.append(refusal)
                raise

        await self._arrive()
        return await self._try(request(), KEYING_S), bool(refusals)

    async def _arrive(self) -> None:
        """A program sets its frequency and keys at once: then the dial is still on its way."""
        hub = self._daemon.hub
        try:
            async with self.clock.timeout(ARRIVAL_S):
                while hub.latest is not None and hub.latest.tracking is Tracking.OFF_FREQUENCY:
                    await hub.next()
        except TimeoutError:
            pass  # the keying says it better

    def unkey(self, who: str) -> None:
        """Let go of the key, held or not."""
        if self._transmit is not None:
            try:
                self._transmit.release(who)
            except Exception:
                log.exception("share: releasing the key of %s", who)
