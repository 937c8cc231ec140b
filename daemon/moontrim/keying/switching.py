"""Carries out the switches of a sequence: deadlines, breaking off, closing.

Owns every call of an output. Knows neither the order nor the reasons against transmitting."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable

from moontrim.clock.system import Clock
from moontrim.keying.outputs import Output
from moontrim.keying.sequence import Sequence, Switch

log = logging.getLogger(__name__)

# Chosen: for one answer of one output. Longer than any relay or a slow radio takes, short enough
# that an over that must end does so within a second.
DEADLINE_S = 0.8
POLL_S = 0.05  # chosen: how often a switch under way asks whether it is still wanted
NO_ANSWER = "no answer within {:g} s"


class Switching:
    """Opens, switches, checks and closes the outputs of one sequence.

    wake: set whenever something may have changed. rounds: grows while a switch is under way."""

    def __init__(
        self, outputs: tuple[Output, ...], sequence: Sequence, clock: Clock, wake: asyncio.Event
    ) -> None:
        self._outputs = outputs
        self._sequence = sequence
        self._clock = clock
        self._wake = wake
        self.rounds = 0
        self._troubles: dict[int, str] = {}  # why an output did not switch off
        self._switched_on: set[int] = set()  # by us; the others perhaps by a run before this one

    def stuck(self) -> tuple[str, ...]:
        """Returns a phrase for each output that does not switch off."""
        return tuple(
            f"{self._outputs[index].name} does not switch off: {self._troubles[index]}"
            for index in self._sequence.stuck
        )

    async def open(self, used: frozenset[int] | None = None) -> tuple[str, ...]:
        """Makes outputs ready; None: all. Returns a phrase for each that could not be."""
        troubles = []
        for index, output in enumerate(self._outputs):
            if used is not None and index not in used:
                continue
            try:
                async with self._clock.timeout(DEADLINE_S):
                    await output.open()
            except TimeoutError:
                troubles.append(f"{output.name}: {NO_ANSWER.format(DEADLINE_S)}")
            except Exception as error:
                troubles.append(f"{output.name}: {error}")
        return tuple(troubles)

    async def carry_out(self, switch: Switch, is_wanted: Callable[[], bool]) -> str:
        """Carries out the switch that is due and reports the outcome to the sequence. Returns why
        an output does not switch on; empty otherwise.

        is_wanted: called every `POLL_S` and at every change; False breaks off."""
        trouble = await self._switch(switch, is_wanted)
        if trouble is None:
            return ""
        now_s, name = self._clock.monotonic_s(), self._outputs[switch.index].name
        if not trouble:
            self._sequence.done(switch, now_s)
            return ""
        was_stuck = switch.index in self._sequence.stuck
        self._sequence.failed(switch, now_s)
        if switch.on:
            return f"{name} does not switch on: {trouble}"
        self._troubles[switch.index] = trouble
        if switch.index in self._sequence.stuck and not was_stuck:
            # At a start the radio may only not have answered yet.
            level = logging.ERROR if switch.index in self._switched_on else logging.WARNING
            log.log(level, "%s does not switch off: %s", name, trouble)
        return ""

    async def retry_stuck(self) -> None:
        """Tries once more to switch off the outputs that are stuck, the last one first, and waits
        for the release time of each that does."""
        for index in reversed(self._sequence.stuck):
            if await self._switch(Switch(index, on=False), lambda: True) == "":
                await self._clock.sleep(self._sequence.release_s(index))

    async def find_missing(self, is_wanted: Callable[[], bool]) -> str:
        """Returns which output is known not to be on any more, and why; empty: none."""
        for index in sorted(self._sequence.used):
            output = self._outputs[index]
            trouble = await self._attempt(output.name, output.check_present, is_wanted)
            if trouble is None:
                break
            if trouble:
                return f"{output.name} is gone: {trouble}"
        return ""

    async def _switch(self, switch: Switch, is_wanted: Callable[[], bool]) -> str | None:
        """Switches one output. Returns as `_attempt` does."""
        output = self._outputs[switch.index]
        if switch.on:
            self._switched_on.add(switch.index)
        if not switch.on:
            return await self._attempt(output.name, output.off, is_wanted)
        within_s = DEADLINE_S * output.on_answers
        return await self._attempt(output.name, output.on, is_wanted, within_s)

    async def _attempt(
        self,
        name: str,
        act: Callable[[], Awaitable[None]],
        is_wanted: Callable[[], bool],
        within_s: float = DEADLINE_S,
    ) -> str | None:
        """Runs one call of an output as a task, cancelled at the deadline or when not wanted.
        Returns what went wrong, empty if nothing did; None if broken off."""
        task = asyncio.create_task(_outcome(act, is_wanted), name=f"key {name}")
        task.add_done_callback(lambda _: self._wake.set())
        try:
            async with self._clock.timeout(within_s):
                while not task.done():
                    self.rounds += 1
                    self._wake.clear()
                    if not is_wanted():
                        return None
                    await self._clock.wait(self._wake, POLL_S)
            return task.result()
        except TimeoutError:
            return NO_ANSWER.format(within_s)
        finally:
            task.cancel()

    def close(self) -> None:
        """Switches off and closes every output, the radio's key first; never raises."""
        for output in reversed(self._outputs):
            try:
                output.close()
            except Exception:
                log.exception("%s", output.name)


async def _outcome(act: Callable[[], Awaitable[None]], is_wanted: Callable[[], bool]) -> str | None:
    # Between being made and being run this task may have stopped being wanted.
    if not is_wanted():
        return None
    try:
        await act()
    except Exception as error:
        return str(error) or repr(error)
    return ""
