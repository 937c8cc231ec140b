"""Permission, inhibit and unkeying, one by one, without a link."""

from __future__ import annotations

import asyncio

import pytest

from moontrim.clock.system import SystemClock
from moontrim.rig.deadline import DeadlineDriver
from moontrim.rig.steplog import StepLog
from moontrim.rig.transmitguard import TransmitGuard
from moontrim.rig.view import Interlocked, LinkEvent, NotUnkeyed, TransmitChanged, Updated
from moontrim.tuning.bandentry import BandEntry
from moontrim_drivers.contract import RigNotSuitable, RigRefused, RigState
from moontrim_drivers.simulated.driver import SimulatedDriver, SimulatedOptions

RECEIVING = RigState(144_100_000, 144_100_000, False)
TRANSMITTING = RigState(144_100_000, 144_100_000, True)
CANNOT_TELL = RigState(144_100_000, 144_100_000, None)
BAND = BandEntry("test", 144_000_000.0, 146_000_000.0)


class Obedient(SimulatedDriver):
    """Confirms that it receives, whatever it does, unless it is to refuse."""

    unkeyed = 0
    refuses = False
    shows = TRANSMITTING

    async def set_transmit(self, on: bool) -> None:
        assert not on, "the guard never keys"
        self.unkeyed += 1
        if self.refuses:
            raise RigRefused("no")

    async def read(self) -> RigState:
        return self.shows


def make() -> tuple[TransmitGuard, Obedient, list[LinkEvent]]:
    clock = SystemClock()
    driver, events = Obedient(SimulatedOptions(), clock), list[LinkEvent]()
    return (
        TransmitGuard(DeadlineDriver(driver, clock, 1.5, StepLog()), events.append),
        driver,
        events,
    )


@pytest.mark.parametrize(
    ("said", "keyed_by_us", "outside", "known"),
    [
        (False, False, None, False),
        (True, False, None, True),
        (None, False, None, None),
        (None, True, None, True),
        (False, True, None, False),  # a radio that can tell is believed
        (False, False, True, True),
        (True, False, False, True),
        (None, False, False, False),
        (None, True, False, True),  # an open contact says nothing of what we have keyed
    ],
)
def test_a_read_back_is_corrected_by_what_is_known_besides(
    said: bool | None, keyed_by_us: bool, outside: bool | None, known: bool | None
) -> None:
    guard, _, _ = make()
    if keyed_by_us:
        guard.begin_keying()
    guard.set_keyed_outside(outside)
    assert guard.correct(RigState(1, 2, said)) == RigState(1, 2, known)


def test_nothing_is_keyed_without_permission_or_while_inhibited() -> None:
    guard, _, _ = make()
    guard.allow_transmit(False)
    with pytest.raises(RigRefused, match="inhibited"):
        guard.begin_keying()
    guard.allow_transmit(True)
    guard.begin_band("changing to test")
    with pytest.raises(RigRefused, match="changing"):
        guard.begin_keying()
    assert guard.correct(CANNOT_TELL) == CANNOT_TELL, "and not counted as keyed"
    guard.set_band(BAND, "")
    assert guard.judge(RECEIVING)
    guard.begin_keying()


def test_the_dial_that_transmits_counts_once_the_band_is_entered() -> None:
    guard, _, events = make()
    astray = RigState(144_100_000, 432_100_000, False)
    guard.begin_band("")
    assert not guard.judge(astray), "not its band yet"
    guard.set_band(BAND, "")
    assert guard.judge(astray) and "432 100 000" in guard.interlock
    guard.report_interlock()
    assert not guard.judge(astray), "nothing new"
    assert guard.judge(RECEIVING) and not guard.interlock
    guard.report_interlock()
    assert [type(event) for event in events] == [Interlocked, Updated]
    guard.set_band(BAND, "test: drive is too high")
    assert guard.judge(RECEIVING) and guard.interlock == "test: drive is too high"


@pytest.mark.parametrize("why", ["no permission", "inhibited", "neither"])
def test_a_radio_that_must_not_transmit_is_unkeyed_again_and_again(why: str) -> None:
    guard, driver, _ = make()
    guard.allow_transmit(why != "no permission")
    guard.begin_band("changing to test" if why == "inhibited" else "")

    async def main() -> list[bool]:
        return [await guard.enforce(state) for state in (TRANSMITTING, TRANSMITTING, RECEIVING)]

    again = asyncio.run(main())
    must = why != "neither"
    assert driver.unkeyed == 2 * must
    assert again == [must, False, False], "looked at once more, and not for ever"
    assert guard.unkey_on_open is must


def test_one_that_will_not_is_reported_once_until_it_has_received() -> None:
    guard, driver, events = make()
    guard.allow_transmit(False)
    driver.refuses = True

    async def main() -> None:
        for state in (TRANSMITTING, TRANSMITTING, RECEIVING, TRANSMITTING):
            assert not await guard.enforce(state)

    asyncio.run(main())
    assert events == 2 * [NotUnkeyed("no")] and driver.unkeyed == 3


def test_left_keyed_it_is_unkeyed_until_it_confirms() -> None:
    guard, driver, _ = make()
    guard.assume_keyed()
    assert guard.unkey_on_open
    driver.refuses = True
    asyncio.run(guard.unkey_if_left_keyed())
    assert guard.unkey_on_open
    driver.refuses = False
    for _ in range(2):
        asyncio.run(guard.unkey_if_left_keyed())
    assert driver.unkeyed == 2 and not guard.unkey_on_open


@pytest.mark.parametrize(("shows", "keyed"), [(RECEIVING, False), (CANNOT_TELL, True)])
def test_one_that_will_not_is_believed_only_where_it_can_tell(shows: RigState, keyed: bool) -> None:
    guard, driver, events = make()
    guard.assume_keyed()
    driver.refuses, driver.shows = True, shows
    asyncio.run(guard.unkey_if_left_keyed())
    assert guard.unkey_on_open is keyed
    assert events == ([NotUnkeyed("no")] if keyed else [])


def test_one_that_cannot_be_keyed_was_not_left_keyed() -> None:
    class Unable(Obedient):
        async def set_transmit(self, on: bool) -> None:
            raise RigNotSuitable("no transmit command")

    clock = SystemClock()
    events = list[LinkEvent]()
    driver = DeadlineDriver(Unable(SimulatedOptions(), clock), clock, 1.5, StepLog())
    guard = TransmitGuard(driver, events.append)
    guard.assume_keyed()
    asyncio.run(guard.unkey_if_left_keyed())
    assert guard.cannot_key == "no transmit command" and events == []
    assert guard.correct(CANNOT_TELL).transmitting is None, "not held as if it transmitted"
    assert guard.unkey_on_open, "asked anew when it is connected anew"


def test_only_a_known_change_of_transmitting_is_reported() -> None:
    guard, _, events = make()
    for before, now in [
        (None, TRANSMITTING),
        (RECEIVING, CANNOT_TELL),
        (RECEIVING, RECEIVING),
        (RECEIVING, TRANSMITTING),
        (TRANSMITTING, RECEIVING),
    ]:
        guard.report_transmit(before, now)
    assert events == [TransmitChanged(True), TransmitChanged(False)]
