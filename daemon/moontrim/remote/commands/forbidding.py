"""Inhibiting transmit by a way that needs no broker: the command line, and a request to the
page's server. Never refused for lack of room: it is tried again until the tracker takes it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any, Protocol

from moontrim.clock.system import Clock
from moontrim.errors import BusyError
from moontrim.remote.commands.guards import SecondStep
from moontrim.session.commands import AllowTransmit, Command
from moontrim.state.hub import StateHub

ANSWER_S = 3.0  # chosen: for the tracker, which runs once a second
UNKEY_S = 2.0  # chosen: for the radio to be read again after it was told to stop
AGAIN_S = 0.05  # chosen: between attempts while the inbox is full


class Forbiddable(Protocol):
    """The part of the daemon that forbidding needs."""

    @property
    def hub(self) -> StateHub: ...
    async def ask(self, command: Command) -> Any: ...
    async def unsaved(self, clock: Clock) -> str: ...


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a request. ok: it is done; of inhibiting, that the radio does not transmit
    either. text: for a person."""

    ok: bool
    text: str


class Forbidding:
    """Inhibits transmit at the tracker of one daemon.

    second_step: of every way to allow transmit; inhibiting makes its tokens void first."""

    def __init__(self, daemon: Forbiddable, real: Clock, second_step: SecondStep) -> None:
        self._daemon = daemon
        self._real = real
        self._second_step = second_step

    async def forbid(self, by: str) -> Outcome:
        """Inhibits transmit and waits until the radio does not transmit any more. by: who did
        it, for log and journal."""
        before = self._daemon.hub.latest
        keyed_before = before is not None and bool(before.transmitting)
        self._second_step.forget()
        try:
            async with self._real.timeout(ANSWER_S):
                await self._until_taken(AllowTransmit(by, False))
        except TimeoutError:
            return Outcome(
                False, "no answer from the tracker; switch the outputs off: moontrim unkey"
            )
        if await self._still_keyed():
            return Outcome(
                False,
                "transmit inhibited; radio still transmitting: switch off the amplifier and run "
                "moontrim unkey",
            )
        was = "radio released" if keyed_before else "radio not transmitting"
        latest = self._daemon.hub.latest
        if latest is None or latest.transmitting is None:
            was = "radio's state unknown"
        unsaved = await self._daemon.unsaved(self._real)
        return Outcome(
            True, f"transmit inhibited; {was}" + f"; not saved: {unsaved}" * bool(unsaved)
        )

    async def _until_taken(self, command: Command) -> None:
        while True:
            try:
                await self._daemon.ask(command)
                return
            except BusyError:
                await self._real.sleep(AGAIN_S)

    async def _still_keyed(self) -> bool:
        hub = self._daemon.hub
        try:
            async with self._real.timeout(UNKEY_S):
                while hub.latest is not None and hub.latest.transmitting:
                    await hub.next()
        except TimeoutError:
            return True
        return False


Forbid = Callable[[str], Awaitable[Outcome]]
