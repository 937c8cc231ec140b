"""`moontrim` as a separate process, and the smallest config that it accepts."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from moontrim.remote.wire.controlsocket import NAME as CONTROL
from support.moonup import home_under_the_moon
from support.processor import within

LEAST_CONFIG = """
[home]
locator = "JN88"
[[bands]]
name = "1296 MHz"
sked_hz = 1296_100_000
tx_low_hz = 1296_000_000
tx_high_hz = 1298_000_000
"""


def least_config_under_the_moon() -> str:
    """Returns the smallest config, of a home where the Moon is up now."""
    return LEAST_CONFIG.replace('locator = "JN88"\n', home_under_the_moon())


ENVIRONMENT = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}


@asynccontextmanager
async def moontrim(*arguments: str) -> AsyncIterator[asyncio.subprocess.Process]:
    """Runs it until the end of the block, where it must stop on SIGTERM with exit code 0."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "moontrim", *arguments),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env=ENVIRONMENT,
    )
    try:
        yield process
        process.send_signal(signal.SIGTERM)
        async with within(10):
            _, log = await process.communicate()
        print(log.decode())  # which pytest shows if the test fails
        assert process.returncode == 0, log.decode()
        assert b"Traceback" not in log, log.decode()
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()


async def next_line(process: asyncio.subprocess.Process) -> str:
    """Returns the next line of its standard output."""
    assert process.stdout is not None
    async with within(20):
        return (await process.stdout.readline()).decode().rstrip("\n")


async def until_up(folder: Path) -> None:
    """Waits until the daemon with its state in this folder's `state` accepts a connection to its
    control socket: between bind and listen the socket is there and refuses."""
    async with within(20):
        while True:
            with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX) as connection:
                descriptor = os.open(folder / "state", os.O_PATH)
                try:
                    connection.connect(f"/proc/self/fd/{descriptor}/{CONTROL}")
                    return
                finally:
                    os.close(descriptor)
            await asyncio.sleep(0.05)
