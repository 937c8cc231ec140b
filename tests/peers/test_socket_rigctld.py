"""The socket driver and the real rig-control daemon (Hamlib's rigctld with its dummy radio)."""

from __future__ import annotations

import asyncio
import random

import pytest

from moontrim.clock.system import SystemClock
from moontrim_drivers.contract import RigClosed, RigState, RigUnreachable
from moontrim_drivers.rigctld.driver import SocketDriver
from moontrim_drivers.rigctld.wire import Greeting
from support.rigctld import OtherClient, free_port, require_rigctld, rigctld

pytestmark = pytest.mark.peers


@pytest.fixture(autouse=True)
def _peer() -> None:
    require_rigctld()


def test_200_times_both_dials_right() -> None:
    """Seen by the driver and by a second client; on four daemons at once, to save time."""

    async def one(seed: int) -> None:
        chance = random.Random(seed)
        port = free_port()
        async with rigctld(port), OtherClient.connected(port) as other:
            driver = SocketDriver(SocketDriver.Options(port=port), SystemClock())
            await driver.open()
            rx_hz, tx_hz = await other.dials_hz()
            for _ in range(50):
                rx_hz = chance.choice([None, rx_hz + 1, chance.randrange(100_000, 10**10)]) or rx_hz
                tx_hz = chance.choice([None, tx_hz - 1, chance.randrange(100_000, 10**10)]) or tx_hz
                assert await driver.set_dials(rx_hz, tx_hz) == RigState(rx_hz, tx_hz, False)
                assert await other.dials_hz() == (rx_hz, tx_hz)
            await driver.close()

    async def main() -> None:
        await asyncio.gather(*(one(seed) for seed in range(4)))

    asyncio.run(main())


def test_another_client_turns_the_dial() -> None:
    async def main() -> None:
        port = free_port()
        async with rigctld(port), OtherClient.connected(port) as other:
            driver = SocketDriver(SocketDriver.Options(port=port), SystemClock())
            await driver.open()
            await driver.set_dials(144_100_000, 144_200_000)
            assert await other.ask("F VFOA 144100123") == ["RPRT 0"]
            assert await other.ask("T VFOA 1") == ["RPRT 0"]
            assert await driver.read() == RigState(144_100_123, 144_200_000, True)
            await driver.close()

    asyncio.run(main())


def test_killed_and_restarted() -> None:
    async def main() -> None:
        port = free_port()
        driver = SocketDriver(SocketDriver.Options(port=port), SystemClock())
        async with rigctld(port) as process:
            await driver.open()
            call = asyncio.create_task(driver.set_dials(144_100_000, 144_200_000))
            await asyncio.sleep(0.03)  # amid the cycle
            process.kill()
            with pytest.raises(RigClosed):
                await call
            await process.wait()
            with pytest.raises(RigClosed):
                await driver.read()
            with pytest.raises(RigUnreachable):
                await driver.open()
        async with rigctld(port):
            await driver.open()
            assert (await driver.read()).rx_dial_hz == 145_000_000, "it began anew"
            state = await driver.set_dials(144_100_000, 144_200_000)
            assert state == RigState(144_100_000, 144_200_000, False)
            await driver.close()

    asyncio.run(main())


def test_without_vfo_names_on_a_radio_left_on_its_second_vfo(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As with versions that cannot name them."""
    monkeypatch.setattr(Greeting, "BYTES", b"\\set_vfo_opt 0\n\\chk_vfo\n")

    async def main() -> None:
        port = free_port()
        async with rigctld(port):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(b"V VFOB\n")
            assert await reader.readline() == b"RPRT 0\n"
            writer.close()
            driver = SocketDriver(SocketDriver.Options(port=port), SystemClock())
            await driver.open()
            assert driver.capabilities.max_sets_per_s == 2.0, "it names no VFO"
            await driver.set_dials(144_100_000, 144_105_000)
            state = await driver.set_dials(144_100_010, None)
            assert state == RigState(144_100_010, 144_105_000, False)
            await driver.close()

    asyncio.run(main())
