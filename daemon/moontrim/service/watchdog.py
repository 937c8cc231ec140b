"""Feeds the service manager's watchdog from completed seconds, and from nothing else: a stalled
event loop, a stopped process and a tick that is dead while all else lives all starve it.

Knows the daemon by its snapshots alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from moontrim.keying.sequence import Phase
from moontrim.service.notify import Notifier
from moontrim.state.snapshot import Snapshot

if TYPE_CHECKING:
    from moontrim.app.daemon import Companion, Daemon

STATUS_EVERY_S = 1.0


def watchdog(notifier: Notifier) -> Companion:
    """A companion of the daemon that tells the notifier when it is ready, how it is, that it lives
    and that it stops."""

    async def feed(daemon: Daemon) -> None:
        if not notifier.listening:
            return
        told = _Told()
        try:
            seen = daemon.hub.latest or await daemon.hub.next()
            while True:
                values = told.news(seen, daemon.clock.monotonic_s())
                if values and not notifier.tell(**values):
                    told.unheard(values)
                seen = await daemon.hub.next()
        finally:
            notifier.tell(STOPPING=1, STATUS="stopping")

    return feed


class _Told:
    """What the manager knows of us."""

    def __init__(self) -> None:
        self._ready = False
        self._ticks = 0
        self._status = ""
        self._status_at_s = -STATUS_EVERY_S

    def news(self, seen: Snapshot, now_s: float) -> dict[str, str | int]:
        values: dict[str, str | int] = {}
        if not self._ready and is_ready(seen):
            self._ready = True
            values["READY"] = 1
        if seen.ticks > self._ticks:
            self._ticks = seen.ticks
            values["WATCHDOG"] = 1
        status = f"{seen.tracking}: {seen.reason}" if seen.reason else str(seen.tracking)
        if status != self._status and now_s - self._status_at_s >= STATUS_EVERY_S:
            self._status, self._status_at_s = status, now_s
            values["STATUS"] = status
        return values

    def unheard(self, values: dict[str, str | int]) -> None:
        """These did not get through: what is not said each second anyway is said again."""
        if "READY" in values:
            self._ready = False
        if "STATUS" in values:
            self._status = ""


def is_ready(seen: Snapshot) -> bool:
    """A second is planned, and the key is dropped, or is known not to. Neither radio nor broker is
    waited for: they may come hours later."""
    keying = seen.keying
    return seen.ticks > 0 and (keying.state is not Phase.LOWERING or bool(keying.stuck))
