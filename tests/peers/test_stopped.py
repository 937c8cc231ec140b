"""A daemon that is really stopped for 0.35 s, 20 times, beside a radio that answers: none of it is
the radio's. Before, 4 to 6 of 20 were taken for a radio that does not answer."""

from __future__ import annotations

import asyncio
import random
import signal
from pathlib import Path

import pytest

from support.effort import cases
from support.moontrim_process import moontrim, next_line
from support.processor import within
from support.serial_bench import BUSES

pytestmark = pytest.mark.peers

STOPPED_S = 0.35
CONFIG = """
state_dir = "{folder}"
[home]
locator = "JN88"
[radio]
driver = "{bus}"
options = {{ {options} }}
[[bands]]
name = "1296 MHz"
sked_hz = 1_296_100_000
tx_low_hz = 1_296_000_000
tx_high_hz = 1_298_000_000
[remote]
enabled = false
[share]
enabled = false
"""


@pytest.mark.parametrize("bus", cases(*BUSES))
def test_stopped_twenty_times_no_radio_is_lost(bus: str, tmp_path: Path) -> None:
    chance = random.Random(bus)
    link = tmp_path / "radio"
    options = ", ".join(
        f"{key} = {value!r}" for key, value in {"port": str(link), **BUSES[bus][2]}.items()
    )
    config = tmp_path / "config.toml"
    config.write_text(CONFIG.format(folder=tmp_path, bus=bus, options=options))

    log: list[str] = []

    async def read(daemon: asyncio.subprocess.Process) -> None:
        assert daemon.stderr is not None
        while True:
            log.append((await daemon.stderr.readline()).decode())

    async def scene() -> None:
        async with moontrim("simulate", "--bus", bus, "--link", str(link)) as radio:
            await next_line(radio)
            async with moontrim("run", "--config", str(config), "--quiet") as daemon:
                reading = asyncio.create_task(read(daemon))
                async with within(60):
                    while "residual" not in "".join(log):
                        await asyncio.sleep(0.1)
                for _ in range(20):
                    await asyncio.sleep(chance.uniform(0.3, 0.9))
                    daemon.send_signal(signal.SIGSTOP)
                    await asyncio.sleep(STOPPED_S)
                    daemon.send_signal(signal.SIGCONT)
                await asyncio.sleep(1.0)
                reading.cancel()
                await asyncio.gather(reading, return_exceptions=True)

    asyncio.run(scene())
    text = "".join(log)
    assert "timeout" not in text and "did not answer" not in text, text
    assert "no answer within" not in text, text
