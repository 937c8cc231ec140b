"""Contacts that prove a front end, and outputs that a band does not use."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

import pytest

from moontrim.clock.virtual import VirtualClock
from moontrim.keying.contacts import REOPEN_S, Contact
from moontrim.keying.frontends import POLL_S, STALE_S, FrontEndContacts
from moontrim.keying.modemlines import OutputError
from moontrim.keying.sequence import Phase, Sequence, Stage, Switch

T0 = 1_795_000_000.0


class Plug(Contact):
    """A contact with a hand on it. hangs: it does not answer."""

    def __init__(self, clock: VirtualClock) -> None:
        self.is_closed = self.hangs = False
        self.trouble = ""
        self.opened = 0
        self._clock = clock

    async def open(self) -> None:
        self.opened += 1

    async def closed(self) -> bool:
        while self.hangs:
            await self._clock.sleep(0.1)
        if self.trouble:
            raise OutputError(self.trouble)
        return self.is_closed

    def close(self) -> None: ...


class Bench:
    def __init__(self, *names: str) -> None:
        self.clock = VirtualClock(T0)
        self.plugs = {name: Plug(self.clock) for name in names}
        self.contacts = FrontEndContacts(dict(self.plugs), self.clock, lambda: None)

    def run(self, scene: Callable[[], Awaitable[None]]) -> None:
        async def main() -> None:
            task = asyncio.create_task(self.contacts.run())
            await self.polled()
            try:
                await scene()
            finally:
                task.cancel()
                await asyncio.gather(task, return_exceptions=True)

        self.clock.run(main())

    async def polled(self, times: int = 2) -> None:
        await self.clock.sleep((times + 0.5) * POLL_S)


def test_without_contacts_nothing_is_against_any() -> None:
    bench = Bench()

    async def scene() -> None:
        assert bench.contacts.doubt("10 GHz") == ""

    bench.run(scene)


def test_its_own_contact_and_no_other() -> None:
    bench = Bench("10 GHz", "24 GHz")
    ten, other = bench.plugs.values()
    doubt = bench.contacts.doubt

    async def scene() -> None:
        assert "10 GHz not connected (contact), but" in doubt("10 GHz")
        assert doubt("direct") == "", "neither transverter is plugged"
        ten.is_closed = True
        await bench.polled()
        assert doubt("10 GHz") == ""
        assert "uses front end 24 GHz" in doubt("24 GHz")
        assert doubt("direct") == "10 GHz connected (contact), but the band uses front end direct"
        other.is_closed = True
        await bench.polled()
        assert "24 GHz connected" in doubt("10 GHz"), "both at once prove neither"
        ten.is_closed = other.is_closed = False
        await bench.clock.sleep(POLL_S)
        assert doubt("10 GHz") and doubt("direct"), "open at once, and settled only at two polls"
        await bench.polled()
        assert doubt("direct") == ""

    bench.run(scene)


@pytest.mark.parametrize("whose", ["10 GHz", "24 GHz"])
def test_what_cannot_be_read_proves_nothing(whose: str) -> None:
    bench = Bench("10 GHz", "24 GHz")

    async def scene() -> None:
        bench.plugs["10 GHz"].is_closed = True
        await bench.polled()
        assert bench.contacts.doubt("10 GHz") == ""
        bench.plugs[whose].trouble = "port gone"
        await bench.polled()
        assert f"contact of {whose}: port gone" in bench.contacts.doubt("10 GHz")
        bench.plugs[whose].trouble = ""
        await bench.clock.sleep(2 * REOPEN_S)
        assert bench.contacts.doubt("10 GHz") == ""
        assert bench.plugs[whose].opened == 2, "opened anew"
        bench.plugs[whose].hangs = True
        await bench.clock.sleep(REOPEN_S + STALE_S + POLL_S)
        assert "no answer" in bench.contacts.doubt("10 GHz")
        bench.plugs[whose].hangs = False

    bench.run(scene)


# --- outputs of a band ---


def switches(used: frozenset[int] | None) -> list[Switch]:
    """All switches of one sequence, up and down, once everything is off."""
    sequence, now_s = Sequence([Stage(0.1, 0.05)] * 4), 0.0
    made: list[Switch] = []
    requested = False
    for step in range(2000):
        now_s = step * 0.01
        while switch := sequence.due(now_s):
            if requested:
                made.append(switch)
            sequence.done(switch, now_s)
        if sequence.phase is Phase.KEYED:
            sequence.drop(now_s)
        elif sequence.phase is Phase.RELEASED:
            if requested:
                return made
            sequence.request(now_s, used)
            requested = True
    raise AssertionError("it never ended")


@pytest.mark.parametrize(
    ("used", "indices"),
    [(None, [0, 1, 2, 3]), ({1}, [1, 3]), ({0, 2}, [0, 2, 3]), (set(), [3]), ({3}, [3])],
)
def test_only_the_outputs_of_the_band_and_the_key(
    used: set[int] | None, indices: list[int]
) -> None:
    expected = [Switch(index, on=True) for index in indices]
    expected += [Switch(index, on=False) for index in reversed(indices)]
    assert switches(None if used is None else frozenset(used)) == expected
