"""The kernel's estimate of the error of the clock: adjtimex(2), which changes nothing with modes 0
and needs no rights. A hardened service may be refused the call; then there is no such source.

`maxerror` decides, not the flag STA_UNSYNC, which stays set under a chronyd that leaves the
real-time clock alone."""

from __future__ import annotations

import ctypes
import functools
import math
from collections.abc import Callable
from dataclasses import replace

from moontrim.timekeeping.reading import ClockReading, unsynchronised

NEVER_SET_S = 16.0  # the kernel's maxerror at the start, and at most (NTP_PHASE_LIMIT)
LEAP_STATES = {1: "a leap second will be added today", 2: "a leap second will be left out today"}


class _Timex(ctypes.Structure):
    """The structure of adjtimex(2)."""

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
    """The kernel as a source of time. By itself maxerror only grows (by 500 ppm): when it has
    fallen, a program has compared the clock."""

    def __init__(self, read_once: Callable[[], ClockReading | None] | None = None) -> None:
        self._read_once = read_once or read_adjtimex
        self._last_s = math.inf
        self._falls = 0

    async def read(self) -> ClockReading | None:
        """Returns a reading; None where the call is not allowed."""
        reading = self._read_once()
        if reading is None:
            return None
        self._falls += reading.bound_s < self._last_s
        self._last_s = reading.bound_s
        return replace(reading, compared=float(self._falls))


def read_adjtimex() -> ClockReading | None:
    """Returns a reading, without `compared`; None where the call is not allowed."""
    timex = _Timex()
    try:
        state = _library().adjtimex(ctypes.byref(timex))
    except AttributeError:  # no such call on this system
        return None
    return None if state < 0 else judge(state, timex.maxerror / 1e6)


def judge(state: int, max_error_s: float) -> ClockReading:
    """Returns the reading for the result of the call (`state`) and its maxerror."""
    if not 0.0 <= max_error_s < NEVER_SET_S:
        return unsynchronised("kernel", "never set")
    return ClockReading(
        "kernel",
        True,
        max_error_s,
        None,
        LEAP_STATES.get(state, "set by an unnamed program"),
    )
