"""Starts a part of the remote side again when it has failed."""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable

from moontrim.clock.system import Clock

log = logging.getLogger(__name__)

RETRY_S = 15.0  # chosen: between attempts to start a part that failed


async def restart_on_failure(part: Callable[[], Awaitable[None]], real: Clock) -> None:
    """Runs a part until it returns; logs an unexpected failure and starts it again."""
    while True:
        try:
            await part()
            return
        except Exception:
            log.exception("the remote side failed; the radio is not affected")
        await real.sleep(RETRY_S)
