"""A wait for an instant that is more exact than a timer, since an over has one wait per output."""

from __future__ import annotations

import asyncio
import math

from moontrim.clock.system import Clock

FINE_S = 0.002  # timers of an event loop may be this late


async def wait_towards(
    clock: Clock, wake: asyncio.Event, until_s: float | None, longest_s: float
) -> None:
    """Waits for `wake`, but no longer than until the instant and no longer than `longest_s`.

    May return early: the caller looks at the clock and calls again. Far from the instant it sleeps
    until shortly before; the rest it spends letting other tasks run and reading the clock.

    until_s: of the monotonic clock; None: no instant."""
    now_s = clock.monotonic_s()
    left_s = math.inf if until_s is None else until_s - now_s
    if left_s > longest_s:
        await clock.wait(wake, longest_s)
    elif left_s > 2 * FINE_S:
        await clock.wait(wake, left_s - FINE_S)
    else:
        await clock.sleep(0.0)
        if clock.monotonic_s() == now_s:  # a virtual clock, which moves only when all wait
            # At least the smallest step that changes the time: waiting for less would never end.
            await clock.wait(wake, max(left_s, math.ulp(now_s)))


async def no_wait() -> None:
    """Returns at once."""
