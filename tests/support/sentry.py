"""Tells the daemon's lateness from that of the machine."""

from __future__ import annotations

import asyncio
import os
import threading
import time

import numpy as np


class Sentry:
    """Notes when this machine, which others share, did not run what was due: then nothing can be
    said of the daemon. It only sleeps and looks at the clock."""

    EVERY_S, LATE_S, AFTER_S = 0.01, 0.04, 0.3

    def __init__(self) -> None:
        self.stalls: list[tuple[float, float]] = []

    async def watch(self) -> None:
        """On each processor: one may stand still while the others run."""
        ended = threading.Event()
        threads = [
            threading.Thread(target=self._watch_on, args=(processor, ended), daemon=True)
            for processor in os.sched_getaffinity(0)
        ]
        for thread in threads:
            thread.start()
        try:
            await asyncio.get_running_loop().create_future()
        finally:
            ended.set()

    def _watch_on(self, processor: int, ended: threading.Event) -> None:
        os.sched_setaffinity(0, {processor})  # of this thread
        while not ended.is_set():
            due_s = time.time() + self.EVERY_S
            time.sleep(self.EVERY_S)
            if (now_s := time.time()) - due_s > self.LATE_S:
                self.stalls.append((due_s, now_s + self.AFTER_S))

    def ran(self, utc_s: np.ndarray) -> np.ndarray:
        """At which of these instants the machine ran; most of them, or the test has failed."""
        ran = np.ones(utc_s.shape, bool)
        for begin_s, end_s in self.stalls:
            ran &= ~((utc_s > begin_s) & (utc_s < end_s))
        assert ran.mean() > 0.6, f"the machine stalled too often: {self.stalls}"
        return ran
