"""The radio's own transmit command, with the guard process armed before it and until after it."""

from __future__ import annotations

from collections.abc import Callable

from moontrim.clock.system import Clock
from moontrim.config.keying import KeyingSettings
from moontrim.config.keyingports import RadioOutput
from moontrim.guard.unkeyguard import UnkeyGuard
from moontrim.rig.link import RigLink
from moontrim.rig.view import ANSWERING
from moontrim_drivers.emergencyunkey import EmergencyUnkey


class GuardedKey:
    """Keys one radio by its command. by_line: it is keyed by a line instead, which falls with the
    process.

    rounds: as for `UnkeyGuard`. note: called with each text of the guard. over_ended: called when
    the guard has ended an over."""

    def __init__(
        self,
        keying: KeyingSettings,
        clock: Clock,
        link: RigLink,
        rounds: Callable[[], int],
        note: Callable[[str], object],
        over_ended: Callable[[], object],
    ) -> None:
        self.by_line = bool(keying.outputs) and not isinstance(keying.outputs[-1], RadioOutput)
        self.used = keying.enabled and not self.by_line
        self._link = link
        self._over_ended = over_ended
        self.guard = UnkeyGuard(
            clock,
            describe=self._emergency_unkey,
            connected=lambda: link.view.state in ANSWERING,
            rounds=rounds,
            longest_s=keying.longest_over_s,
            note=note,
            ended=self._guard_ended_over,
        )

    async def key(self, on: bool) -> None:
        """Has the radio transmit or receive; returns when it has confirmed. Raises GuardError,
        RigError."""
        if on:
            await self.guard.arm()
            await self._link.key(self.guard.doubt)
            return
        try:
            await self._link.unkey()
        except BaseException as error:  # cancelled, too: it took too long
            self.guard.unkey(f"moontrim could not unkey the radio ({error or 'no answer'})")
            raise
        self.guard.disarm()

    def _emergency_unkey(self) -> EmergencyUnkey | None:
        if not self.used:
            return EmergencyUnkey(ends_with_process=True)
        return self._link.emergency_unkey()

    def _guard_ended_over(self, reason: str, touched: bool) -> None:
        """touched: the guard may have sent the radio a command of its own."""
        if touched:
            self._link.reconnect(reason)
        self._over_ended()
