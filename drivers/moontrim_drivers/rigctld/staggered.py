"""Connects to a host that has several addresses, of which some may never answer."""

from __future__ import annotations

import asyncio

from moontrim_drivers.contract import DriverClock, RigUnreachable
from moontrim_drivers.rigctld.connection import Connection

STAGGER_S = 0.25  # RFC 8305, section 5: the recommended delay between attempts


async def connect_first(addresses: list[str], port: int, clock: DriverClock) -> Connection:
    """Returns a connection to the address that accepts first. They are tried in their order, the
    next one after STAGGER_S or as soon as one has failed, while the earlier attempts go on. Raises
    RigUnreachable with the last reason, RigNotSuitable."""
    waiting = list(addresses)
    attempts: list[asyncio.Task[Connection]] = []
    failure: BaseException = RigUnreachable("no address")
    chosen: Connection | None = None
    try:
        while waiting or not all(task.done() for task in attempts):
            if waiting:
                attempts.append(asyncio.create_task(Connection.connect(waiting.pop(0), port)))
            delay = asyncio.ensure_future(clock.sleep(STAGGER_S))
            running = [task for task in attempts if not task.done()]
            try:
                await asyncio.wait([delay, *running], return_when=asyncio.FIRST_COMPLETED)
            finally:
                delay.cancel()
            for task in running:
                if task.done() and (error := task.exception()) is not None:
                    failure = error
                elif task.done():
                    chosen = task.result()
                    return chosen
    finally:
        await _end(attempts, chosen)
    raise failure


async def _end(attempts: list[asyncio.Task[Connection]], chosen: Connection | None) -> None:
    """Ends every attempt, and closes what has been connected besides the chosen one."""
    for task in attempts:
        task.cancel()
    for result in await asyncio.gather(*attempts, return_exceptions=True):
        if isinstance(result, Connection) and result is not chosen:
            result.close()
