"""RIT, XIT and repeater shift as each driver reads them: off a simulated radio on its bus, and off
the real rig-control daemon."""

import asyncio
from typing import Any

import pytest

from moontrim.clock.system import SystemClock
from moontrim_drivers.contract import RigDetails, RigRefused
from moontrim_drivers.rigctld.driver import SocketDriver
from moontrim_drivers.simulated.options import SimulatedOptions
from moontrim_drivers.simulated.radio import SimulatedRadio
from moontrim_drivers.simulated.rigctld import SimSocket
from support.rigctld import free_port, require_rigctld, rigctld
from support.serial_bench import BUSES, serial_radio

SETTINGS = [(0, 0), (120, 0), (-9999, 0), (0, 50), (0, -1)]


def offsets(details: RigDetails) -> tuple[int | None, int | None]:
    return details.rit_hz, details.xit_hz


@pytest.mark.parametrize("bus", ["civ", "asciicat", "socket"])
def test_offsets_on_every_bus(bus: str) -> None:
    async def check(driver: Any, radio: SimulatedRadio) -> None:
        await driver.open()
        for rit_hz, xit_hz in SETTINGS:
            radio.rit_hz, radio.xit_hz = rit_hz, xit_hz
            assert offsets(await driver.details()) == (rit_hz, xit_hz)
            radio.key(True)
            with pytest.raises(RigRefused):
                await driver.clear_offsets()
            radio.key(False)
            assert offsets(await driver.details()) == (rit_hz, xit_hz)
            await driver.clear_offsets()
            assert offsets(await driver.details()) == (0, 0)
        assert await driver.power_fraction() == pytest.approx(radio.power_fraction)
        await driver.close()

    async def main() -> None:
        if bus == "socket":
            radio = SimulatedRadio(SimulatedOptions(latency_s=0.0), SystemClock())
            server = SimSocket(radio)
            async with await server.listen():
                driver = SocketDriver(SocketDriver.Options(port=server.port), SystemClock())
                await check(driver, radio)
                radio.repeater_shift = True
                await driver.open()
                assert (await driver.details()).repeater_shift
                await driver.clear_offsets()
                assert (await driver.details()).repeater_shift is False
                await driver.close()
                await server.hang_up()
            return
        driver_class, _, own = BUSES[bus]
        async with serial_radio(bus, latency_s=0.0, line={}) as line:
            options = driver_class.Options(port=line.path, **own)
            await check(driver_class(options, SystemClock()), line.radio)

    asyncio.run(main())


@pytest.mark.peers
def test_offsets_behind_the_real_daemon() -> None:
    require_rigctld()

    async def main() -> None:
        port = free_port()
        async with rigctld(port):
            driver = SocketDriver(SocketDriver.Options(port=port), SystemClock())
            await driver.open()
            details = await driver.details()
            assert (*offsets(details), details.repeater_shift) == (0, 0, False)
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(b"\\set_vfo_opt 1\n+J VFOA 120\n+Z VFOA -50\n+R VFOA -\n")
            text = b""
            while text.count(b"RPRT") < 4:
                text += await asyncio.wait_for(reader.read(1000), 5.0)
            details = await driver.details()
            assert (*offsets(details), details.repeater_shift) == (120, -50, True)
            await driver.clear_offsets()
            details = await driver.details()
            assert (*offsets(details), details.repeater_shift) == (0, 0, False)
            writer.close()
            await driver.close()

    asyncio.run(main())
