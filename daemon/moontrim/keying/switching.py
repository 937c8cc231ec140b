"""Carrying out one switch after the other: deadlines, breaking off, letting go.

Owns every call of an output. Knows neither order nor reasons."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable

from moontrim.clock.system import Clock
from moontrim.keying.outputs import Output

log = logging.getLogger(__name__)

DEADLINE_S = 0.8  # for any one output to switch
LOOK_S = 0.05  # how often it is asked whether to go on
NO_ANSWER = f"no answer within {DEADLINE_S:g} s"


class Switching:
    """The outputs of one sequence. wake: set whenever something may have changed."""

    def __init__(self, outputs: tuple[Output, ...], clock: Clock, wake: asyncio.Event) -> None:
        self._outputs = outputs
        self._clock = clock
        self._wake = wake

    def name(self, index: int) -> str:
        return self._outputs[index].name

    async def open(self) -> tuple[str, ...]:
        """Make every output ready; what could not be."""
        troubles = []
        for output in self._outputs:
            try:
                async with self._clock.timeout(DEADLINE_S):
                    await output.open()
            except TimeoutError:
                troubles.append(f"{output.name}: {NO_ANSWER}")
            except Exception as error:
                troubles.append(f"{output.name}: {error}")
        return tuple(troubles)

    async def switch(self, index: int, on: bool, go_on: Callable[[], bool]) -> str | None:
        """Switch one output; what went wrong, empty if nothing did; None if broken off.

        go_on: asked all the while whether this is still wanted."""
        output = self._outputs[index]
        return await self._watched(output.name, output.on if on else output.off, go_on)

    async def gone(self, go_on: Callable[[], bool]) -> str:
        """Which output is known not to be on any more, and why; empty: none."""
        for output in self._outputs:
            trouble = await self._watched(output.name, output.there, go_on)
            if trouble is None:
                break
            if trouble:
                return f"{output.name} is gone: {trouble}"
        return ""

    async def _watched(
        self, name: str, act: Callable[[], Awaitable[None]], go_on: Callable[[], bool]
    ) -> str | None:
        task = asyncio.create_task(_one(act, go_on), name=f"key {name}")
        task.add_done_callback(lambda _: self._wake.set())
        until_s = self._clock.monotonic_s() + DEADLINE_S
        try:
            while not task.done():
                self._wake.clear()
                if not go_on():
                    return None
                left_s = until_s - self._clock.monotonic_s()
                if left_s <= 0.0:
                    return NO_ANSWER
                await self._clock.wait(self._wake, min(LOOK_S, left_s))
            return task.result()
        finally:
            task.cancel()

    def close(self) -> None:
        """Let go of every output, the radio's key first; never raises."""
        for output in reversed(self._outputs):
            try:
                output.close()
            except Exception:
                log.exception("%s", output.name)


async def _one(act: Callable[[], Awaitable[None]], go_on: Callable[[], bool]) -> str | None:
    # Between being made and being run this task may have lost its reason.
    if not go_on():
        return None
    try:
        await act()
    except Exception as error:
        return str(error) or repr(error)
    return ""
