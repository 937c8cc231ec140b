"""Our buses against Hamlib (Debian package libhamlib-utils), which was written without them: its
`rigctl` drives our simulated radios, our drivers drive the same ones, its `rigctld` stands between
our socket driver and our simulated radios. The radio itself says what reached it."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest

from moontrim.clock.system import SystemClock
from moontrim_drivers.civ.codec import Frame, dial
from moontrim_drivers.contract import RigDriver, RigState
from moontrim_drivers.rigctld.driver import SocketDriver
from moontrim_drivers.simulated.options import SimulatedOptions
from moontrim_drivers.simulated.radio import SimulatedRadio
from moontrim_drivers.simulated.rigctld import SimSocket
from support.rigctld import free_port, require_rigctld, rigctl, rigctld
from support.serial_bench import driver_for, serial_radio

pytestmark = pytest.mark.peers

MODELS = {"civ": 3081, "asciicat": 2014, "socket": 2}  # as `rigctl -l` numbers them
RX_HZ, TX_HZ = 144_123_457, 144_234_569


@pytest.fixture(autouse=True)
def _peer() -> None:
    require_rigctld()


@asynccontextmanager
async def served(bus: str, **habits: Any) -> AsyncIterator[tuple[SimulatedRadio, str, RigDriver]]:
    """A simulated radio on that bus, what Hamlib calls its place, and our driver for it."""
    if bus == "socket":
        clock = SystemClock()
        radio = SimulatedRadio(SimulatedOptions(latency_s=0.0, **habits), clock)
        server = SimSocket(radio)
        async with await server.listen():
            driver = SocketDriver(SocketDriver.Options(port=server.port, sets_power=True), clock)
            yield radio, f"127.0.0.1:{server.port}", driver
            await server.hang_up()
    else:
        async with serial_radio(bus, latency_s=0.0, **habits) as line:
            yield line.radio, line.path, driver_for(bus, line.path)


@pytest.mark.parametrize("bus", MODELS)
def test_hamlib_drives_our_radio_and_so_do_we(bus: str) -> None:
    """Hamlib sets everything; then our driver sets the radio to something else and back to the
    same, and Hamlib reads what our driver set."""

    async def main() -> None:
        async with served(bus) as (radio, place, driver):
            wanted = (RigState(RX_HZ, TX_HZ, False), "CW", 500, pytest.approx(0.5, abs=0.003))

            def left() -> tuple[Any, ...]:
                return (radio.state(), radio.mode, radio.passband_hz, radio.power_fraction)

            await rigctl(
                MODELS[bus], place,
                f"F {RX_HZ}", "S 1 VFOB", f"I {TX_HZ}", "M CW 500", "L RFPOWER 0.5", "T 1", "T 0",
            )  # fmt: skip
            assert left() == wanted
            await driver.open()
            await driver.set_dials(144_000_001, 145_000_002)
            await driver.set_mode("USB", 2400)
            await driver.set_power(0.1)
            assert left() != wanted
            await driver.set_dials(RX_HZ, TX_HZ)
            await driver.set_mode("CW", 500)
            await driver.set_power(0.5)
            assert left() == wanted
            await driver.close()
            said = await rigctl(MODELS[bus], place, "f", "m")
            text = " ".join(said)
            assert f"f {RX_HZ}" in text and "m CW" in text

    asyncio.run(main())


@pytest.mark.parametrize("bus", MODELS)
def test_hamlib_keys_our_radio(bus: str) -> None:
    async def main() -> None:
        # Hamlib tries the dials as it opens, and gives up on a radio that refuses that while keyed
        async with served(bus, retunes_while_transmitting=True) as (radio, place, driver):
            await rigctl(MODELS[bus], place, f"F {RX_HZ}", "T 1")
            assert radio.transmitting
            await rigctl(MODELS[bus], place, "T 0")
            assert not radio.transmitting
            await driver.open()
            await driver.set_transmit(True)
            assert radio.transmitting
            await driver.close()  # Hamlib takes no lock: both would read what either is told
            assert radio.transmitting, "closing does not unkey: that is the keying's to do"
            assert "t 1" in await rigctl(MODELS[bus], place, "t")

    asyncio.run(main())


@pytest.mark.parametrize("bus", MODELS)
def test_hamlib_hears_a_refusal(bus: str) -> None:
    async def main() -> None:
        async with served(bus) as (radio, place, _):
            radio.change(refuse_probability=1.0)
            said = await rigctl(MODELS[bus], place, f"F {RX_HZ}")
            assert radio.rx_dial_hz != RX_HZ
            if bus != "asciicat":  # there Hamlib takes a no for a yes
                assert any("error" in line.lower() for line in said), said

    asyncio.run(main())


@pytest.mark.parametrize("bus", ["civ", "asciicat"])
def test_our_socket_driver_through_hamlib_to_our_radio(bus: str) -> None:
    async def main() -> None:
        chance = random.Random(1)
        async with serial_radio(bus, latency_s=0.0) as line:
            port = free_port()
            async with rigctld(port, "-r", line.path, model=MODELS[bus]):
                driver = SocketDriver(SocketDriver.Options(port=port), SystemClock())
                await driver.open()
                for _ in range(20):
                    rx_hz, tx_hz = (chance.randrange(144_000_000, 146_000_000) for _ in range(2))
                    state = await driver.set_dials(rx_hz, tx_hz)
                    assert state == line.radio.state() == RigState(rx_hz, tx_hz, False)
                for on in (True, False):
                    await driver.set_transmit(on)
                    assert line.radio.transmitting is on
                await driver.close()

    asyncio.run(main())


def test_frames_are_those_that_hamlib_sends() -> None:
    """Hamlib's own frames for random dials are what our codec makes of them."""

    async def main() -> None:
        chance = random.Random(2)
        dials_hz = [
            chance.randrange(low_hz, low_hz + 2_000_000)
            for low_hz in (144_000_000, 430_000_000, 1_296_000_000)
            for _ in range(20)
        ]
        async with serial_radio("civ", latency_s=0.0) as line:
            await rigctl(MODELS["civ"], line.path, *(f"F {dial_hz}" for dial_hz in dials_hz))
        ours = [Frame(0xA2, 0xE0, b"\x25\x00" + dial(hz)).to_bytes() for hz in dials_hz]
        assert [heard for heard in line.heard if heard in ours] == ours

    asyncio.run(main())


@pytest.mark.parametrize("model, address", [(3081, 0xA2), (3068, 0x7C), (3044, 0x60)])
def test_hamlib_with_radios_of_three_ages(model: int, address: int) -> None:
    """One that knows command 25 throughout, one that sets by 05, one that switches VFOs."""

    async def main() -> None:
        async with serial_radio("civ", latency_s=0.0) as line:
            line.responder.address = address
            await rigctl(model, line.path, f"F {RX_HZ}")
            assert line.radio.rx_dial_hz == RX_HZ
            await rigctl(model, line.path, "S 1 VFOB", f"I {TX_HZ}")
            assert line.radio.state() == RigState(RX_HZ, TX_HZ, False)

    asyncio.run(main())


def test_a_one_wire_bus() -> None:
    async def main() -> None:
        async with serial_radio("civ", latency_s=0.0, line={"echo": True}) as line:
            await rigctl(MODELS["civ"], line.path, f"F {RX_HZ}", "S 1 VFOB", f"I {TX_HZ}")
            assert line.radio.state() == RigState(RX_HZ, TX_HZ, False)

    asyncio.run(main())
