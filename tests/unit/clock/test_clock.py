"""The virtual clock keeps order, meets deadlines, lets real sockets work, and paces; UTC may
step."""

import asyncio
import time

import pytest

from moontrim.clock.system import SystemClock
from moontrim.clock.virtual import VirtualClock
from support.processor import unloaded_s

T0 = 1_795_000_000.0


def test_jumps_in_order_without_waiting() -> None:
    clock = VirtualClock(T0)
    seen: list[tuple[str, float]] = []

    async def sleeper(name: str, duration_s: float) -> None:
        for _ in range(3):
            await clock.sleep(duration_s)
            seen.append((name, clock.monotonic_s()))

    async def main() -> None:
        await asyncio.gather(sleeper("a", 1000.0), sleeper("b", 1500.0))

    began = unloaded_s()
    clock.run(main())
    assert unloaded_s() - began < 1.0
    assert seen == [
        ("a", 1000.0), ("b", 1500.0), ("a", 2000.0), ("b", 3000.0), ("a", 3000.0), ("b", 4500.0)
    ]  # fmt: skip
    assert clock.utc_s() == T0 + 4500.0


def test_timeout_is_virtual() -> None:
    clock = VirtualClock(T0)

    async def main() -> None:
        with pytest.raises(TimeoutError):
            async with clock.timeout(2.0):
                await clock.sleep(3.0)
        assert clock.monotonic_s() == 2.0
        async with clock.timeout(2.0):
            await clock.sleep(1.0)
        await clock.sleep(10.0)  # the unused deadline at 4.0 must do nothing

    clock.run(main())
    assert clock.monotonic_s() == 13.0


def test_wait_for_an_event_or_not() -> None:
    clock = VirtualClock(T0)

    async def main() -> None:
        event = asyncio.Event()
        assert not await clock.wait(event, 5.0)
        assert clock.monotonic_s() == 5.0

        async def set_later() -> None:
            await clock.sleep(2.0)
            event.set()

        task = asyncio.create_task(set_later())
        assert await clock.wait(event, 5.0)
        assert clock.monotonic_s() == 7.0
        assert await clock.wait(event, 0.0)
        await task

    clock.run(main())


@pytest.mark.parametrize("step_s", [-30.0, 30.0])
def test_sleep_until_utc_notices_a_step(step_s: float) -> None:
    clock = VirtualClock(T0)

    async def main() -> None:
        task = asyncio.create_task(clock.sleep_until_utc(T0 + 60.0))
        await clock.sleep(10.0)
        clock.step_utc(step_s)
        await task

    clock.run(main())
    assert clock.monotonic_s() == pytest.approx(60.0 - step_s)


def test_pace() -> None:
    clock = VirtualClock(T0, pace=100.0)

    async def main() -> None:
        for _ in range(30):
            await clock.sleep(1.0)

    began, began_unloaded = time.monotonic(), unloaded_s()
    clock.run(main())
    assert time.monotonic() - began > 0.28
    assert unloaded_s() - began_unloaded < 1.5


def test_real_sockets_work_beside_it() -> None:
    clock = VirtualClock(T0, pace=1000.0)

    async def main() -> bytes:
        async def echo(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            writer.write(await reader.readline())
            await writer.drain()
            writer.close()

        server = await asyncio.start_server(echo, "127.0.0.1", 0)
        ticking = asyncio.create_task(clock.sleep(1e6))
        reader, writer = await asyncio.open_connection(*server.sockets[0].getsockname()[:2])
        writer.write(b"there\n")
        answer = await reader.readline()
        writer.close()
        ticking.cancel()
        server.close()
        return answer

    assert clock.run(main()) == b"there\n"


def test_system_clock_sleeps_at_least_as_long() -> None:
    clock = SystemClock()

    async def main() -> None:
        target = clock.utc_s() + 0.05
        await clock.sleep_until_utc(target)
        assert clock.utc_s() >= target
        with pytest.raises(TimeoutError):
            async with clock.timeout(0.01):
                await clock.sleep(10.0)

    asyncio.run(main())
