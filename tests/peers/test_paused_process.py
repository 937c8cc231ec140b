"""The whole process is paused, as by swap, a frozen control group or SIGSTOP, and goes on."""

from __future__ import annotations

import asyncio
import signal
from pathlib import Path

import pytest

from support.mosquitto import BASE, Watch, require_mosquitto, station_process
from support.processor import within
from support.rigctld import free_port

pytestmark = pytest.mark.peers

PAUSED_S = 3.3  # longer than the age at which a snapshot is no longer published
PAUSES = 3
NUDGES = 8  # more than the states of a second


def test_paused_while_a_state_waits_to_be_published_it_goes_on(tmp_path: Path) -> None:
    """It publishes again, and SIGTERM ends it."""
    require_mosquitto()
    port = free_port()

    async def main() -> None:
        remote = {"port": port, "http_port": free_port()}
        async with (
            station_process(tmp_path, **remote) as process,
            Watch.on(port, within_s=20) as on,
        ):
            await on.state(lambda state: state["tracking"] == "on frequency", 30.0)
            for _ in range(PAUSES):
                for _ in range(NUDGES):  # so that the next one waits
                    await on.client.publish(f"{BASE}/cmd/local/nudge", "10", 1)
                    await asyncio.sleep(0.05)
                process.send_signal(signal.SIGSTOP)
                await asyncio.sleep(PAUSED_S)
                process.send_signal(signal.SIGCONT)
                number = on.json("state")["seq"]
                await on.state(lambda state, after=number: state["seq"] > after + 2, 5.0)
            process.send_signal(signal.SIGTERM)
            async with within(10.0):
                assert await process.wait() == 0

    asyncio.run(main())
