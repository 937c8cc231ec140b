"""The kernel's own idea of how wrong the clock may be: adjtimex(2), which changes nothing when
asked with modes 0 and needs no rights. A hardened service may be refused it; then it is not there.

Judged by `maxerror` and not by the flag STA_UNSYNC, which stays set under a chronyd that leaves the
real-time clock alone."""

from __future__ import annotations

import ctypes
import functools
import math
from collections.abc import Callable
from dataclasses import replace

from moontrim.timekeeping.reading import ClockReading, unsynchronised

NEVER_SET_S = 16.0  # where the kernel's maxerror ends, and where it begins (NTP_PHASE_LIMIT)
LEAP_STATES = {1: "a leap second will be added today", 2: "a leap second will be left out today"}


class _Timex(ctypes.Structure):
    """As adjtimex(2) gives it, in C's own sizes."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),  # microseconds
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("and_more", ctypes.c_long * 64),  # never read; more than any kernel writes
    )


@functools.cache
def _library() -> ctypes.CDLL:
    return ctypes.CDLL(None)


class Kernel:
    """The reader. Left alone, maxerror only grows (by 500 ppm): when it has fallen, somebody has
    compared the clock."""

    def __init__(self, ask: Callable[[], ClockReading | None] | None = None) -> None:
        self._ask = ask or read_adjtimex
        self._last_s = math.inf
        self._falls = 0

    async def read(self) -> ClockReading | None:
        """None where it may not be asked."""
        found = self._ask()
        if found is None:
            return None
        self._falls += found.bound_s < self._last_s
        self._last_s = found.bound_s
        return replace(found, compared=float(self._falls))


def read_adjtimex() -> ClockReading | None:
    """None where it may not be asked."""
    timex = _Timex()
    try:
        state = _library().adjtimex(ctypes.byref(timex))
    except AttributeError:  # no such call on this system
        return None
    return None if state < 0 else judge(state, timex.maxerror / 1e6)


def judge(state: int, max_error_s: float) -> ClockReading:
    """state: what the call returned."""
    if not 0.0 <= max_error_s < NEVER_SET_S:
        return unsynchronised("kernel", "nothing has set the clock")
    return ClockReading(
        "kernel",
        True,
        max_error_s,
        None,
        LEAP_STATES.get(state, "as set by what it does not name"),
    )
