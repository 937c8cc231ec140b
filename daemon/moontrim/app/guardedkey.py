"""The radio's own transmit command, or the line that keys it, with the guard process armed from
before it is given until it is known to have ended."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from moontrim.clock.system import Clock
from moontrim.config.keying import KeyingSettings
from moontrim.config.keyingports import RadioOutput
from moontrim.guard.unkeyguard import GuardError, UnkeyGuard
from moontrim.keying.outputs import LineKey, Output
from moontrim.rig.link import RigLink
from moontrim.rig.view import ANSWERING
from moontrim_drivers.emergencyunkey import EmergencyUnkey


class GuardedKey:
    """Keys one radio by its command. by_line: it is keyed by a line instead.

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
        self.by_command = keying.enabled and not self.by_line
        self._link = link
        self._over_ended = over_ended
        self._line: Output | None = None
        self.guard = UnkeyGuard(
            clock,
            describe=self._emergency_unkey,
            # A line does not need the radio: that it does not answer is a matter of the keying.
            connected=lambda: self.by_line or link.view.state in ANSWERING,
            rounds=rounds,
            longest_s=keying.longest_over_s,
            note=note,
            ended=self._guard_ended_over,
        )

    def line_key(self, line: Output) -> Output:
        """Returns the output that keys the radio in place of its command, with what belongs to a
        key: a last look at the radio, and the guard."""
        self._line = line
        return LineKey(line, self._key_by_line)

    async def _key_by_line(self, line: Output, on: bool) -> None:
        if not on:
            await self._end(line.off, f"release {line.name}")
            return
        await self.guard.arm()
        await self._link.look_before_keying()
        if doubt := self.guard.doubt():
            raise GuardError(doubt)
        await line.on()

    async def key(self, on: bool) -> None:
        """Has the radio transmit or receive; returns when it has confirmed. Raises GuardError,
        RigError."""
        if on:
            await self.guard.arm()
            await self._link.key(self.guard.doubt)
        else:
            await self._end(self._link.unkey, "unkey the radio")

    async def _end(self, off: Callable[[], Awaitable[None]], what: str) -> None:
        """Ends an over; the guard does where the daemon cannot."""
        try:
            await off()
        except BaseException as error:  # cancelled, too: it took too long
            self.guard.unkey(f"moontrim could not {what} ({str(error) or 'no answer'})")
            raise
        self.guard.disarm()

    def _emergency_unkey(self) -> EmergencyUnkey | None:
        if self.by_command:
            return self._link.emergency_unkey()
        line = None if self._line is None else self._line.emergency_unkey()
        return line or EmergencyUnkey(ends_with_process=True)

    def _guard_ended_over(self, reason: str, touched: bool) -> None:
        """touched: the guard may have sent the radio a command of its own."""
        if touched and self.by_command:
            self._link.reconnect(reason)
        self._over_ended()
