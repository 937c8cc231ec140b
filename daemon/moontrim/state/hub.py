"""Passes snapshots from their one writer, the tracker, to any number of readers. The writer waits
for none of them."""

from __future__ import annotations

import asyncio

from moontrim.state.snapshot import Snapshot


class StateHub:
    """The latest snapshot, and a way to wait for the next. A slow reader misses some.

    latest: None before the first."""

    def __init__(self) -> None:
        self.latest: Snapshot | None = None
        self._waiting: list[asyncio.Future[None]] = []

    def publish(self, snapshot: Snapshot) -> None:
        """Makes a snapshot the latest and wakes the readers that wait."""
        self.latest = snapshot
        if self._waiting:
            for reader in self._waiting:
                if not reader.done():  # else it was cancelled
                    reader.set_result(None)
            self._waiting.clear()

    async def next(self) -> Snapshot:
        """Waits for a snapshot newer than `latest` and returns it."""
        reader = asyncio.get_running_loop().create_future()
        self._waiting.append(reader)
        await reader
        assert self.latest is not None
        return self.latest
