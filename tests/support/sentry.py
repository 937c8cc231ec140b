"""Distinguishes the daemon's lateness from that of the machine."""

from __future__ import annotations

import asyncio
import os
import threading
import time
from contextlib import suppress

import numpy as np
import pytest

from support.processor import all_waited_for_processor_s, waited_for_processor_s


def _waited_s(pid: int) -> float:
    """Of this process the main thread only, not those that watch."""
    is_this_process = pid == os.getpid()
    return waited_for_processor_s(pid) if is_this_process else all_waited_for_processor_s(pid)


class Sentry:
    """Notes when this machine, which others share, did not run what was due: then a measurement
    shows nothing about the daemon. It only sleeps and reads the clock, and how long `processes`
    (their ids) were ready to run and did not."""

    EVERY_S, LATE_S, AFTER_S = 0.01, 0.04, 0.3
    WAITED_S = 0.01  # chosen: between two looks; at 5 Hz/s a twentieth of a hertz

    def __init__(self) -> None:
        self.stalls: list[tuple[float, float]] = []
        self.processes = [os.getpid()]

    async def watch(self) -> None:
        """On each processor: one may stand still while the others run."""
        ended = threading.Event()
        threads = [
            threading.Thread(target=self._watch_on, args=(processor, ended), daemon=True)
            for processor in os.sched_getaffinity(0)
        ]
        threads.append(threading.Thread(target=self._watch_processes, args=(ended,), daemon=True))
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

    def _watch_processes(self, ended: threading.Event) -> None:
        waited_s: dict[int, float] = {}
        while not ended.wait(self.EVERY_S):
            for pid in self.processes:
                with suppress(OSError):  # it has ended
                    now_s, total_s = time.time(), _waited_s(pid)
                    more_s = total_s - waited_s.get(pid, total_s)
                    waited_s[pid] = total_s
                    if more_s > self.WAITED_S:
                        self.stalls.append((now_s - more_s - self.EVERY_S, now_s + self.AFTER_S))

    def ran(self, utc_s: np.ndarray) -> np.ndarray:
        """Returns the instants, of these, at which the machine ran. Skips the test if they are too
        few to show anything about the daemon."""
        ran = np.ones(utc_s.shape, bool)
        for begin_s, end_s in self.stalls:
            ran &= ~((utc_s > begin_s) & (utc_s < end_s))
        if ran.mean() < 0.5:
            pytest.skip(f"the machine stalled too often: {self.stalls}")
        return ran
