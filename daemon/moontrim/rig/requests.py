"""What other tasks request of a driver, which only the rig link's own task may touch."""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

from moontrim_drivers.contract import RigClosed, RigError, RigGarbled, RigNotSuitable, RigRefused

log = logging.getLogger(__name__)
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class DriverRequest:
    """One thing to do.

    done: where its outcome goes. even_if_abandoned: it is done also when the caller does not wait
    for it any more."""

    act: Callable[[], Awaitable[Any]]
    done: asyncio.Future[Any]
    even_if_abandoned: bool

    async def run(self) -> None:
        """Does it, unless the caller has given up. Raises RigError when the connection is not
        healthy any more."""
        if self.done.done() and not self.even_if_abandoned:
            return
        try:
            result = await self.act()
        except RigError as error:
            self.fail(error)
            if not isinstance(error, RigRefused | RigNotSuitable):
                raise
        except Exception as mistake:
            self.fail(mistaken(mistake))
            raise
        else:
            if not self.done.done():
                self.done.set_result(result)

    def fail(self, error: RigError) -> None:
        """Raises that error where the outcome is awaited."""
        if not self.done.done():
            self.done.set_exception(error)


class DriverRequests:
    """A queue of requests, none of which is ever lost: each is run or fails.

    wake: set when there is one, for the link's task."""

    def __init__(self, wake: asyncio.Event) -> None:
        self._wake = wake
        self._waiting: deque[DriverRequest] = deque()

    def post(self, act: Callable[[], Awaitable[object]]) -> None:
        """Has `act` called by the link's task; nobody waits for it."""
        done = asyncio.get_running_loop().create_future()
        done.cancel()
        self._waiting.append(DriverRequest(act, done, even_if_abandoned=True))
        self._wake.set()

    async def run_in_turn(
        self,
        act: Callable[..., Awaitable[T]],
        *arguments: object,
        even_if_abandoned: bool = False,
    ) -> T:
        """Waits until the link's task has called `act`, and returns its result. Raises RigError."""
        done: asyncio.Future[T] = asyncio.get_running_loop().create_future()
        self._waiting.append(DriverRequest(partial(act, *arguments), done, even_if_abandoned))
        self._wake.set()
        return await done

    def next(self) -> DriverRequest | None:
        """Takes the next one out of the queue."""
        return self._waiting.popleft() if self._waiting else None

    def fail_all(self, reason: str) -> None:
        """Fails every request with RigClosed: the radio is gone."""
        while self._waiting:
            self._waiting.popleft().fail(RigClosed(reason))


def mistaken(mistake: Exception) -> RigGarbled:
    """Returns the error of the contract for an exception outside it."""
    return RigGarbled(f"a mistake in the driver or the rig link: {mistake!r}")


def as_rig_error(mistake: Exception, known: str) -> RigError:
    """Returns the error itself, or that of the contract for an exception outside it, which is
    logged unless it is the known one."""
    if isinstance(mistake, RigError):
        return mistake
    error = mistaken(mistake)
    if str(error) != known:
        log.error("rig link", exc_info=mistake)
    return error


async def give_up(reason: str) -> None:
    """Raises RigClosed, which has the link close the connection and open it anew."""
    raise RigClosed(reason)
