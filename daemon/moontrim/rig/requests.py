"""What other tasks want done with a driver, which only the rig link's own task may touch."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

from moontrim_drivers.contract import RigClosed, RigError, RigGarbled, RigRefused, RigUnfit

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Errand:
    """One thing to do, and where its outcome goes. for_sure: also when whoever asked has given up
    waiting."""

    act: Callable[[], Awaitable[Any]]
    done: asyncio.Future[Any]
    for_sure: bool

    async def run(self) -> None:
        """Do it, unless whoever asked has given up. Raises RigError when the connection is not
        healthy any more."""
        if self.done.done() and not self.for_sure:
            return
        try:
            result = await self.act()
        except RigError as error:
            self.fail(error)
            if not isinstance(error, RigRefused | RigUnfit):
                raise
        except Exception as mistake:
            self.fail(RigGarbled(f"a mistake in the driver or the rig link: {mistake!r}"))
            raise
        else:
            if not self.done.done():
                self.done.set_result(result)

    def fail(self, error: RigError) -> None:
        if not self.done.done():
            self.done.set_exception(error)


class Errands:
    """In order, and none is ever lost: each is run or fails. wake: tells the link's task."""

    def __init__(self, wake: asyncio.Event) -> None:
        self._wake = wake
        self._waiting: deque[Errand] = deque()

    async def ask(
        self, act: Callable[..., Awaitable[T]], *given: object, for_sure: bool = False
    ) -> T:
        """Have it done in turn; its result. Raises RigError."""
        done: asyncio.Future[T] = asyncio.get_running_loop().create_future()
        self._waiting.append(Errand(partial(act, *given), done, for_sure))
        self._wake.set()
        return await done

    def next(self) -> Errand | None:
        return self._waiting.popleft() if self._waiting else None

    def end(self, reason: str) -> None:
        """The radio is gone, and with it whatever was wanted of it."""
        while self._waiting:
            self._waiting.popleft().fail(RigClosed(reason))
