"""The simulated radio's own habits; what it shares with other drivers is in the contract suite."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

import pytest
from pydantic import ValidationError

from moontrim.clock.virtual import VirtualClock
from moontrim_drivers.contract import (
    RigClosed,
    RigRefused,
    RigState,
    RigUnreachable,
)
from moontrim_drivers.simulated.driver import SimulatedDriver

RX_HZ, TX_HZ = 144_200_000, 432_200_000
Body = Callable[[SimulatedDriver, VirtualClock], Awaitable[None]]


def with_radio(body: Body, **options: Any) -> None:
    clock = VirtualClock(0.0)

    async def main() -> None:
        driver = SimulatedDriver(SimulatedDriver.Options.model_validate(options), clock)
        await driver.open()
        await body(driver, clock)
        await driver.close()

    clock.run(main())


def test_the_dial_moves_part_way_through_a_command() -> None:
    async def body(driver: SimulatedDriver, clock: VirtualClock) -> None:
        seen: list[tuple[object, ...]] = []
        driver.radio.on_change = lambda *what: seen.append(what)
        began_s = clock.monotonic_s()
        await driver.set_dials(RX_HZ, TX_HZ)
        assert clock.monotonic_s() - began_s == pytest.approx(0.2)
        assert seen == [(pytest.approx(began_s + 0.05), RX_HZ, TX_HZ, False)]
        await driver.set_dials(RX_HZ, None)
        assert len(seen) == 1, "nothing changed"

    with_radio(body, latency_s=0.2, effect_fraction=0.25)


def test_resolution_rounds_to_the_nearest() -> None:
    async def body(driver: SimulatedDriver, _: VirtualClock) -> None:
        assert driver.capabilities.dial_resolution_hz == 10
        for asked_hz, dial_hz in ((144_200_004, 144_200_000), (144_200_005, 144_200_010)):
            assert (await driver.set_dials(asked_hz, None)).rx_dial_hz == dial_hz

    with_radio(body, dial_resolution_hz=10)


@pytest.mark.parametrize("retunes", [False, True])
def test_retuning_while_keyed(retunes: bool) -> None:
    async def body(driver: SimulatedDriver, _: VirtualClock) -> None:
        before = await driver.set_dials(RX_HZ, TX_HZ)
        driver.radio.key(True)
        assert (await driver.read()).transmitting is True
        if retunes:
            assert await driver.set_dials(None, TX_HZ + 1) == RigState(RX_HZ, TX_HZ + 1, True)
            return
        for dials in ((None, TX_HZ + 1), (RX_HZ + 1, None)):
            with pytest.raises(RigRefused, match="while it transmits"):
                await driver.set_dials(*dials)
        driver.radio.key(False)
        assert await driver.read() == before

    with_radio(body, retunes_while_transmitting=retunes)


def test_refusing_every_third_setting_but_never_a_look() -> None:
    async def body(driver: SimulatedDriver, _: VirtualClock) -> None:
        outcomes = []
        for n in range(9):
            await driver.read()
            try:
                await driver.set_dials(RX_HZ + n, None)
                outcomes.append(True)
            except RigRefused:
                outcomes.append(False)
                assert (await driver.read()).rx_dial_hz == RX_HZ + n - 1, "nothing was done"
        assert outcomes == [True, True, False] * 3

    with_radio(body, refuse_every=3)


def test_chance_is_the_same_for_the_same_seed() -> None:
    async def draws(driver: SimulatedDriver, outcomes: list[bool]) -> None:
        for n in range(200):
            try:
                await driver.set_dials(RX_HZ + n, None)
                outcomes.append(True)
            except RigRefused:
                outcomes.append(False)

    runs: list[list[bool]] = []
    for seed in (1, 1, 2):
        runs.append([])
        with_radio(lambda driver, _: draws(driver, runs[-1]), refuse_probability=0.3, seed=seed)
    assert runs[0] == runs[1] != runs[2]
    assert 0.5 < sum(runs[0]) / 200 < 0.9


def test_dropping_every_fourth_command_and_being_away_for_a_while() -> None:
    async def body(driver: SimulatedDriver, clock: VirtualClock) -> None:
        await driver.read()
        await driver.read()  # with the one at opening, three
        with pytest.raises(RigClosed):
            await driver.set_dials(RX_HZ, None)
        dropped_s = clock.monotonic_s()
        with pytest.raises(RigClosed):
            await driver.read()
        while True:
            try:
                await driver.open()
                break
            except RigUnreachable:
                await clock.sleep(0.5)
        assert 5.0 <= clock.monotonic_s() - dropped_s < 6.0
        await driver.read()

    with_radio(body, drop_every=4, unreachable_s=5.0)


def test_whether_a_command_in_which_the_connection_broke_was_done_is_uncertain() -> None:
    done = set()

    async def body(driver: SimulatedDriver, _: VirtualClock) -> None:
        with pytest.raises(RigClosed):
            await driver.set_dials(RX_HZ, None)
        done.add(driver.radio.rx_dial_hz == RX_HZ)

    for seed in range(20):
        with_radio(body, drop_every=2, seed=seed)
    assert done == {True, False}


def test_dropped_in_the_middle_of_a_command() -> None:
    async def body(driver: SimulatedDriver, clock: VirtualClock) -> None:
        for after_s, done in ((0.1, False), (0.9, True)):
            await driver.open()
            before_hz = driver.radio.rx_dial_hz
            call = asyncio.create_task(driver.set_dials(before_hz + 7, None))
            await clock.sleep(after_s)
            driver.radio.drop()
            with pytest.raises(RigClosed):
                await call
            assert (driver.radio.rx_dial_hz == before_hz + 7) is done

    with_radio(body, latency_s=1.0)


def test_creeping_dial_is_off_however_often_it_is_set() -> None:
    async def body(driver: SimulatedDriver, clock: VirtualClock) -> None:
        for hours in (1, 2):
            await clock.sleep(hours * 3600.0 - clock.monotonic_s())
            state = await driver.set_dials(RX_HZ, TX_HZ)
            assert state == RigState(RX_HZ + 50 * hours, TX_HZ + 50 * hours, False)

    with_radio(body, drift_hz_per_hour=50.0, latency_s=0.0)


def test_stuck_keyed() -> None:
    async def body(driver: SimulatedDriver, _: VirtualClock) -> None:
        await driver.set_transmit(True)
        with pytest.raises(RigRefused, match="still transmits"):
            await driver.set_transmit(False)
        assert (await driver.read()).transmitting is True
        driver.radio.change(stuck_transmit=False)
        await driver.set_transmit(False)
        assert (await driver.read()).transmitting is False

    with_radio(body, stuck_transmit=True)


def test_keyed_by_foot_it_cannot_be_unkeyed_by_command() -> None:
    async def body(driver: SimulatedDriver, _: VirtualClock) -> None:
        driver.radio.key(True)
        with pytest.raises(RigRefused):
            await driver.set_transmit(False)
        driver.radio.key(False)
        assert (await driver.read()).transmitting is False

    with_radio(body)


def test_same_band_on_both_dials() -> None:
    async def body(driver: SimulatedDriver, _: VirtualClock) -> None:
        await driver.set_dials(RX_HZ, TX_HZ)
        for dials in ((TX_HZ + 1000, None), (None, RX_HZ), (RX_HZ, RX_HZ)):
            with pytest.raises(RigRefused, match="cannot hold both"):
                await driver.set_dials(*dials)
        assert await driver.read() == RigState(RX_HZ, TX_HZ, False)
        assert await driver.set_dials(TX_HZ, RX_HZ) == RigState(TX_HZ, RX_HZ, False)

    bands = [[144_000_000, 148_000_000], [430_000_000, 440_000_000]]  # as a config file has them
    with_radio(body, same_band_refused=bands)


def test_silent() -> None:
    async def body(driver: SimulatedDriver, clock: VirtualClock) -> None:
        driver.radio.change(silent=True)
        with pytest.raises(TimeoutError):
            async with clock.timeout(10.0):
                await driver.set_dials(RX_HZ, None)
        assert driver.radio.rx_dial_hz != RX_HZ
        with pytest.raises(RigClosed):
            await driver.read()

    with_radio(body)


def test_transmit_state_not_told() -> None:
    async def body(driver: SimulatedDriver, _: VirtualClock) -> None:
        assert not driver.capabilities.reports_transmit
        driver.radio.key(True)
        assert (await driver.read()).transmitting is None

    with_radio(body, reports_transmit=False)


def test_power_cycle_forgets_everything() -> None:
    async def body(driver: SimulatedDriver, _: VirtualClock) -> None:
        start = await driver.read()
        await driver.set_dials(RX_HZ, TX_HZ)
        await driver.set_mode("CW", 0)
        await driver.set_transmit(True)
        driver.radio.power_cycle()
        assert driver.radio.state() == RigState(start.rx_dial_hz, None, False), "split is off"
        with pytest.raises(RigClosed):
            await driver.read()
        await driver.open()
        assert await driver.read() == start
        assert (await driver.details()).mode == "USB"

    with_radio(body)


def test_turning_the_dial_by_hand() -> None:
    async def body(driver: SimulatedDriver, _: VirtualClock) -> None:
        seen: list[int] = []
        driver.radio.on_change = lambda _s, rx_hz, _tx_hz, _on: seen.append(rx_hz)
        await driver.set_dials(RX_HZ, TX_HZ)
        driver.radio.turn_dial(-250)
        assert await driver.read() == RigState(RX_HZ - 250, TX_HZ, False)
        assert seen == [RX_HZ, RX_HZ - 250]

    with_radio(body)


def test_no_power_while_keyed_and_only_modes_it_has() -> None:
    async def body(driver: SimulatedDriver, _: VirtualClock) -> None:
        with pytest.raises(RigRefused, match="PKTUSB"):
            await driver.set_mode("NOSUCH", 0)
        await driver.set_mode("CW", 0)
        assert (await driver.details()).passband_hz == 500
        await driver.set_transmit(True)
        with pytest.raises(RigRefused):
            await driver.set_power(0.1)

    with_radio(body)


def test_habits_are_checked_when_changed() -> None:
    async def body(driver: SimulatedDriver, _: VirtualClock) -> None:
        with pytest.raises(ValidationError, match="latency_s"):
            driver.radio.change(latency_s=-1.0)
        with pytest.raises(ValidationError, match="nosuch"):
            driver.radio.change(nosuch=1)

    with_radio(body)
