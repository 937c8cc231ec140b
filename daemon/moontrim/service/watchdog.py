"""Messages of the daemon to the service manager: ready, alive, status, stopping.

The watchdog is fed by completed seconds and by nothing else, so that the manager restarts the
daemon for a blocked event loop, for a stopped process, and for ticks that stop while all else
goes on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from moontrim.keying.sequence import Phase
from moontrim.service.notify import Notifier
from moontrim.state.snapshot import Snapshot

if TYPE_CHECKING:
    from moontrim.app.daemon import Companion, Daemon

STATUS_EVERY_S = 1.0  # chosen: a state that flickers must not flood the manager


def watchdog(notifier: Notifier) -> Companion:
    """Returns a companion of the daemon that sends these messages by the notifier."""

    async def feed(daemon: Daemon) -> None:
        if not notifier.listening:
            return
        reported = _Reported()
        try:
            snapshot = daemon.hub.latest or await daemon.hub.next()
            while True:
                values = reported.news(snapshot, daemon.clock.monotonic_s())
                if values and not notifier.tell(**values):
                    reported.unheard(values)
                snapshot = await daemon.hub.next()
        finally:
            notifier.tell(STOPPING=1, STATUS="stopping")

    return feed


class _Reported:
    """What has been reported to the manager."""

    def __init__(self) -> None:
        self._ready = False
        self._ticks = 0
        self._status = ""
        self._status_at_s = -STATUS_EVERY_S

    def news(self, snapshot: Snapshot, now_s: float) -> dict[str, str | int]:
        """Returns what is new in a snapshot, and marks it as reported."""
        values: dict[str, str | int] = {}
        if not self._ready and is_ready(snapshot):
            self._ready = True
            values["READY"] = 1
        if snapshot.ticks > self._ticks:
            self._ticks = snapshot.ticks
            values["WATCHDOG"] = 1
        status = (
            f"{snapshot.tracking}: {snapshot.reason}" if snapshot.reason else str(snapshot.tracking)
        )
        if status != self._status and now_s - self._status_at_s >= STATUS_EVERY_S:
            self._status, self._status_at_s = status, now_s
            values["STATUS"] = status
        return values

    def unheard(self, values: dict[str, str | int]) -> None:
        """Marks values that could not be sent as not reported. WATCHDOG comes again anyway."""
        if "READY" in values:
            self._ready = False
        if "STATUS" in values:
            self._status = ""


def is_ready(snapshot: Snapshot) -> bool:
    """Is the daemon ready? If a second has been planned and the relays are off, or known to be
    stuck. Not if radio and broker are connected: they may come hours later."""
    keying = snapshot.keying
    return snapshot.ticks > 0 and (keying.state is not Phase.RELEASING or bool(keying.stuck))
