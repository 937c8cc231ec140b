"""What every driver must do, whatever is behind it. A new driver gets a Bench, nothing else."""

from __future__ import annotations

import asyncio
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from typing import Any

import pytest
from pydantic import ValidationError

from moontrim.clock.system import SystemClock
from moontrim.clock.virtual import VirtualClock
from moontrim_drivers.contract import (
    DriverOptions,
    RigClosed,
    RigDriver,
    RigNotSuitable,
    RigRefused,
    RigState,
    RigUnreachable,
)
from moontrim_drivers.rigctld.driver import SocketDriver
from moontrim_drivers.simulated.driver import SimulatedDriver
from moontrim_drivers.simulated.options import SimulatedOptions
from moontrim_drivers.simulated.radio import SimulatedRadio
from moontrim_drivers.simulated.rigctld import SimSocket
from support.fake_rig_server import FakeRigServer
from support.processor import unloaded_s
from support.rigctld import OtherClient, free_port, require_rigctld, rigctld
from support.serial_bench import BUSES, serial_radio

Truth = Callable[[], Awaitable[RigState]]
RX_HZ, TX_HZ = 144_123_457, 144_119_876


class Bench(ABC):
    """A driver, and the state of its radio seen past the driver."""

    driver_class: type[RigDriver]
    least_options: dict[str, Any] = {}  # noqa: RUF012

    def run(self, main: Coroutine[Any, Any, None]) -> None:
        asyncio.run(main)

    @abstractmethod
    def connected(self, **options: Any) -> AbstractAsyncContextManager[tuple[RigDriver, Truth]]:
        """A driver not yet opened, and the truth."""

    async def leave_keyed_without_split(self, driver: RigDriver) -> None:
        """Have its radio transmit with one dial for both ways, and nobody connected."""
        options = driver.options.model_copy(update={"split": False})
        before = type(driver)(options, driver.clock)
        await before.open()
        await before.set_transmit(True)
        await before.close()

    @abstractmethod
    def absent(self) -> RigDriver:
        """A driver whose radio is not there. Called in a running loop."""


class Simulated(Bench):
    driver_class = SimulatedDriver

    def __init__(self) -> None:
        self._clock = VirtualClock(0.0)

    def run(self, main: Coroutine[Any, Any, None]) -> None:
        self._clock.run(main)

    @asynccontextmanager
    async def connected(self, **options: Any) -> AsyncIterator[tuple[RigDriver, Truth]]:
        driver = SimulatedDriver(SimulatedDriver.Options(**options), self._clock)

        async def truth() -> RigState:
            return driver.radio.state()

        yield driver, truth

    async def leave_keyed_without_split(self, driver: RigDriver) -> None:
        assert isinstance(driver, SimulatedDriver)
        driver.radio.set_transmit(True)  # as after power-up in all else

    def absent(self) -> RigDriver:
        driver = SimulatedDriver(SimulatedDriver.Options(unreachable_s=60.0), self._clock)
        driver.radio.drop()
        return driver


class Fake(Bench):
    driver_class = SocketDriver

    def __init__(self, vfo_option: bool) -> None:
        self._vfo_option = vfo_option
        self._clock = VirtualClock(0.0)  # the pauses of plain mode must not take real time

    def run(self, main: Coroutine[Any, Any, None]) -> None:
        self._clock.run(main)

    @asynccontextmanager
    async def connected(self, **options: Any) -> AsyncIterator[tuple[RigDriver, Truth]]:
        async with FakeRigServer(vfo_option=self._vfo_option) as rig:

            async def truth() -> RigState:
                return RigState(
                    rig.dials_hz["VFOA"], rig.dials_hz["VFOB"] if rig.split else None, rig.keyed
                )

            yield SocketDriver(SocketDriver.Options(port=rig.port, **options), self._clock), truth

    def absent(self) -> RigDriver:
        return SocketDriver(SocketDriver.Options(port=free_port()), self._clock)


class Real(Bench):
    driver_class = SocketDriver

    @asynccontextmanager
    async def connected(self, **options: Any) -> AsyncIterator[tuple[RigDriver, Truth]]:
        port = free_port()
        async with rigctld(port), OtherClient.connected(port) as other:

            async def truth() -> RigState:
                rx_hz, tx_hz = await other.dials_hz()
                split, _ = await other.ask("s VFOA", lines=2)
                (keyed,) = await other.ask("t VFOA")
                return RigState(rx_hz, tx_hz if split == "1" else None, keyed == "1")

            yield SocketDriver(SocketDriver.Options(port=port, **options), SystemClock()), truth

    def absent(self) -> RigDriver:
        return SocketDriver(SocketDriver.Options(port=free_port()), SystemClock())


class SimulatedBehindSocket(Bench):
    driver_class = SocketDriver

    @asynccontextmanager
    async def connected(self, **options: Any) -> AsyncIterator[tuple[RigDriver, Truth]]:
        clock = SystemClock()
        radio = SimulatedRadio(SimulatedOptions(latency_s=0.0), clock)
        server = SimSocket(radio)

        async def truth() -> RigState:
            return radio.state()

        async with await server.listen():
            yield SocketDriver(SocketDriver.Options(port=server.port, **options), clock), truth
            await server.hang_up()

    def absent(self) -> RigDriver:
        return SocketDriver(SocketDriver.Options(port=free_port()), SystemClock())


class OnSerialLine(Bench):
    """The simulated radio on a pseudo-terminal."""

    def __init__(self, bus: str, **line: Any) -> None:
        self.driver_class, _, self._own = BUSES[bus]
        self.least_options = {"port": "/dev/null", **self._own}
        self._bus = bus
        self._line = line

    @asynccontextmanager
    async def connected(self, **options: Any) -> AsyncIterator[tuple[RigDriver, Truth]]:
        async with serial_radio(self._bus, latency_s=0.0, line=self._line) as line:

            async def truth() -> RigState:
                return line.radio.state()

            made = self.driver_class.Options(port=line.path, **self._own, **options)
            yield self.driver_class(made, SystemClock()), truth

    def absent(self) -> RigDriver:
        options = self.driver_class.Options(port="/dev/no-such-port", **self._own)
        return self.driver_class(options, SystemClock())


@pytest.fixture(
    params=[
        "simulated",
        "socket",
        "socket without VFO names",
        "socket to simulated",
        "civ",
        "civ on one wire, byte by byte",
        "asciicat",
        "asciicat byte by byte",
        pytest.param("socket to rigctld", marks=pytest.mark.peers),
    ]
)
def bench(request: pytest.FixtureRequest) -> Bench:
    if request.param == "simulated":
        return Simulated()
    if request.param == "socket to rigctld":
        require_rigctld()
        return Real()
    if request.param == "socket to simulated":
        return SimulatedBehindSocket()
    bus, _, how = request.param.partition(" ")
    if bus in BUSES:
        line = {"pieces": 1} if "byte" in how else {}
        return OnSerialLine(bus, **line, **({"echo": True} if "one wire" in how else {}))
    return Fake(vfo_option=request.param == "socket")


def test_opening_splits_reads_and_does_not_key(bench: Bench) -> None:
    async def main() -> None:
        async with bench.connected() as (driver, truth):
            before = await truth()
            await driver.open()
            state = await driver.read()
            assert state == await truth()
            assert (state.rx_dial_hz, state.transmitting) == (before.rx_dial_hz, False)
            assert state.tx_dial_hz is not None
            assert driver.capabilities.split and driver.capabilities.reports_transmit
            await driver.close()

    bench.run(main())


def test_both_dials_and_each_alone(bench: Bench) -> None:
    async def main() -> None:
        async with bench.connected() as (driver, truth):
            await driver.open()
            for rx_hz, tx_hz, then in (
                (RX_HZ, TX_HZ, (RX_HZ, TX_HZ)),
                (RX_HZ + 1, None, (RX_HZ + 1, TX_HZ)),
                (None, TX_HZ - 1, (RX_HZ + 1, TX_HZ - 1)),
                (None, None, (RX_HZ + 1, TX_HZ - 1)),
            ):
                state = await driver.set_dials(rx_hz, tx_hz)
                assert state == RigState(*then, transmitting=False)
                assert await truth() == state == await driver.read()
            await driver.close()

    bench.run(main())


def test_one_dial_for_both(bench: Bench) -> None:
    async def main() -> None:
        async with bench.connected(split=False) as (driver, truth):
            await driver.open()
            assert not driver.capabilities.split
            assert (await driver.read()).tx_dial_hz is None
            assert await driver.set_dials(RX_HZ, None) == RigState(RX_HZ, None, False)
            with pytest.raises(RigNotSuitable, match="tx_hz"):
                await driver.set_dials(RX_HZ, TX_HZ)
            assert await truth() == RigState(RX_HZ, None, False)
            await driver.close()

    bench.run(main())


@pytest.mark.parametrize("bad", [0, -1, 10**12 + 1, 144e6, True, float("nan"), "144000000"])
def test_what_is_no_dial_reaches_no_radio(bench: Bench, bad: Any) -> None:
    async def main() -> None:
        async with bench.connected() as (driver, truth):
            await driver.open()
            before = await truth()
            with pytest.raises(RigNotSuitable, match="rx_hz"):
                await driver.set_dials(bad, TX_HZ)
            with pytest.raises(RigNotSuitable, match="tx_hz"):
                await driver.set_dials(None, bad)
            assert await truth() == before == await driver.read()
            await driver.close()

    bench.run(main())


def test_not_open_is_closed(bench: Bench) -> None:
    async def main() -> None:
        async with bench.connected() as (driver, _):
            await driver.close()
            for call in (driver.read(), driver.set_dials(RX_HZ, None), driver.set_transmit(True)):
                with pytest.raises(RigClosed):
                    await call
            await driver.open()
            await driver.close()
            await driver.close()
            with pytest.raises(RigClosed):
                await driver.read()
            await driver.open()
            assert (await driver.read()).transmitting is False
            await driver.close()

    bench.run(main())


def test_after_cancellation_only_open_helps(bench: Bench) -> None:
    async def main() -> None:
        async with bench.connected() as (driver, _):
            await driver.open()
            call = asyncio.create_task(driver.set_dials(RX_HZ, TX_HZ))
            await asyncio.sleep(0)
            call.cancel()
            with pytest.raises(asyncio.CancelledError):
                await call
            with pytest.raises(RigClosed):
                await driver.read()
            await driver.open()
            assert await driver.set_dials(RX_HZ + 5, TX_HZ + 7) == RigState(
                RX_HZ + 5, TX_HZ + 7, False
            )
            await driver.close()

    bench.run(main())


def test_a_cancelled_open_leaves_nothing(bench: Bench) -> None:
    async def main() -> None:
        async with bench.connected() as (driver, _):
            for turns in range(12):
                call = asyncio.create_task(driver.open())
                for _ in range(turns):
                    await asyncio.sleep(0)
                call.cancel()
                await asyncio.gather(call, return_exceptions=True)
            await driver.close()
            await driver.open()
            await driver.read()
            await driver.close()

    bench.run(main())


def test_nobody_there(bench: Bench) -> None:
    async def main() -> None:
        driver = bench.absent()
        for _ in range(2):
            with pytest.raises(RigUnreachable):
                await driver.open()
        await driver.close()

    bench.run(main())


def test_keying(bench: Bench) -> None:
    async def main() -> None:
        async with bench.connected() as (driver, truth):
            await driver.open()
            for on in (True, True, False, False):
                await driver.set_transmit(on)
                assert (await driver.read()).transmitting is on
                assert (await truth()).transmitting is on
            await driver.set_transmit(True)
            began_s = unloaded_s()
            await driver.close()
            assert unloaded_s() - began_s < 0.5
            await driver.open()  # which neither keys nor unkeys
            assert (await driver.read()).transmitting is True
            await driver.set_transmit(False)
            await driver.close()

    bench.run(main())


def test_left_keyed_it_is_unkeyed_before_anything_is_set(bench: Bench) -> None:
    """A radio that changes nothing else under RF could not be opened, and so not be unkeyed."""

    async def main() -> None:
        async with bench.connected() as (driver, truth):
            await bench.leave_keyed_without_split(driver)
            assert (await truth()).transmitting is True
            if not isinstance(bench, Real):  # which sets split under RF, too
                with pytest.raises(RigRefused):
                    await driver.open()
                assert (await truth()).transmitting is True
            await driver.open(unkey=True)
            state = await driver.read()
            assert state == await truth()
            assert state.transmitting is False and state.tx_dial_hz is not None
            await driver.close()

    bench.run(main())


def test_mode(bench: Bench) -> None:
    async def main() -> None:
        async with bench.connected() as (driver, _):
            await driver.open()
            await driver.set_dials(RX_HZ, TX_HZ)
            for mode, passband_hz in (("USB", 2400), ("CW", 500)):
                await driver.set_mode(mode, passband_hz)
                details = await driver.details()
                assert (details.mode, details.passband_hz) == (mode, passband_hz)
            await driver.set_mode("USB", 0)
            assert (await driver.details()).mode == "USB"
            for mode, passband_hz in (("usb", 0), ("USB 1\nT VFOA", 0), ("", 0), ("USB", -1)):
                with pytest.raises(RigNotSuitable):
                    await driver.set_mode(mode, passband_hz)
            assert await driver.read() == RigState(RX_HZ, TX_HZ, False)
            await driver.close()

    bench.run(main())


def test_power_only_where_allowed(bench: Bench) -> None:
    async def main() -> None:
        async with bench.connected(sets_power=True) as (driver, _):
            await driver.open()
            assert driver.capabilities.sets_power
            await driver.set_power(0.25)
            assert (await driver.details()).power_fraction == pytest.approx(0.25, abs=0.001)
            for bad in (-0.01, 1.01, float("nan")):
                with pytest.raises(RigNotSuitable, match="fraction"):
                    await driver.set_power(bad)
            await driver.set_transmit(True)
            with pytest.raises(RigRefused):
                await driver.set_power(0.75)
            await driver.set_transmit(False)
            assert (await driver.details()).power_fraction == pytest.approx(0.25, abs=0.001)
            await driver.close()
        async with bench.connected(sets_power=False) as (driver, _):
            await driver.open()
            power = (await driver.details()).power_fraction
            with pytest.raises(RigNotSuitable):
                await driver.set_power(0.0)
            assert (await driver.details()).power_fraction == power
            await driver.close()

    bench.run(main())


def test_options_are_strict(bench: Bench) -> None:
    options = bench.driver_class.Options
    assert issubclass(options, DriverOptions)
    with pytest.raises(ValidationError, match="no_such_key"):
        options.model_validate({"no_such_key": 1})
    with pytest.raises(ValidationError, match="effect_fraction"):
        options.model_validate({"effect_fraction": 1.5})
    with pytest.raises(ValidationError, match="frozen"):
        options(**bench.least_options).split = False  # type: ignore[attr-defined]
