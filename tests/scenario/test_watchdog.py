"""`moontrim run` as a process of its own under a service manager of ours: the watchdog is fed while
seconds are completed, and starves as soon as they are not, whatever stands still.

Several run at the same time, since most of it is waiting."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from support.moontrim_process import ENVIRONMENT, least_config_under_the_moon
from support.processor import within

CONFIG = f"{least_config_under_the_moon()}[share]\nenabled = false\n[remote]\nenabled = false\n"
KEYED_RADIO_AWAY = """
[radio]
driver = "socket"
options = {port = 1}
[keying]
enabled = true
[[keying.outputs]]
kind = "radio"
"""
RUN = "import sys; from moontrim.cli.main import main; sys.exit(main())"
# The fourth second stops the whole event loop, for good.
STALLED = f"""
import time, moontrim.tracking.tracker as tracker
tick = tracker.Tracker._tick
def stalls(self, second):
    tick(self, second)
    if self._record.ticks == 4:
        time.sleep(1000)
tracker.Tracker._tick = stalls
{RUN}
"""
# After the fourth second there is no other, while all else lives, and news are still published.
DEAD_TICK = f"""
import asyncio, moontrim.tracking.tracker as tracker
run = tracker.Tracker.run
async def dies(self):
    task = asyncio.create_task(run(self))
    while self._record.ticks < 4:
        await asyncio.sleep(0.05)
    task.cancel()
    while True:
        await asyncio.sleep(0.1)
        self._publisher.publish(self._submitter.plan, self._submitter.hindrances())
        print("alive", flush=True)
tracker.Tracker.run = dies
{RUN}
"""
STARVED_S = 2.5
START_S = 100.0  # on a machine busy with other things
AT_ONCE = 4

pytestmark = pytest.mark.timeout(400)


@dataclass
class Service:
    """A process and what it told its manager."""

    process: asyncio.subprocess.Process
    listening: socket.socket
    heard: list[str] = field(default_factory=list)

    async def next(self, within_s: float) -> str:
        async with within(within_s):
            data = await asyncio.get_running_loop().sock_recv(self.listening, 65536)
        self.heard.append(data.decode())
        return self.heard[-1]

    async def ready(self) -> None:
        while "READY=1" not in (await self.next(START_S)).splitlines():
            pass

    async def beats(self, number: int) -> None:
        while number:
            number -= "WATCHDOG=1" in (await self.next(20.0)).splitlines()

    async def starves(self) -> None:
        """Soon there is no beat any more for STARVED_S, whatever else is told."""
        with suppress(TimeoutError):
            async with asyncio.timeout(STARVED_S) as silence:
                async with within(20.0):
                    while True:
                        if "WATCHDOG=1" in await self.next(30.0):
                            silence.reschedule(asyncio.get_running_loop().time() + STARVED_S)
        assert silence.expired(), self.heard

    async def ends(self) -> int:
        self.process.send_signal(signal.SIGTERM)
        async with within(10.0):
            return await self.process.wait()


@asynccontextmanager
async def service(
    folder: Path,
    *,
    program: str = RUN,
    config: str = CONFIG,
    stderr: int = asyncio.subprocess.DEVNULL,
    stdout: int = asyncio.subprocess.DEVNULL,
) -> AsyncIterator[Service]:
    path = folder / "station.toml"
    path.write_text(f'state_dir = "{folder}/state"\n{config}')
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        (folder / "notify").unlink(missing_ok=True)
        listening.bind(str(folder / "notify"))
        listening.setblocking(False)
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-c", program, "run", "--config", str(path)),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=stdout,
            stderr=stderr,
            env={**ENVIRONMENT, "NOTIFY_SOCKET": str(folder / "notify")},
        )
        try:
            yield Service(process, listening)
        finally:
            if process.returncode is None:
                process.kill()
            await process.wait()
            if process.stdout is not None:
                await process.stdout.read()


async def ready_fed_and_stopping_in_order(folder: Path) -> None:
    async with service(folder) as seen:
        await seen.ready()
        await seen.beats(3)
        assert await seen.ends() == 0
        while "STOPPING=1" not in seen.heard[-1]:
            await seen.next(1.0)
        statuses = [text for text in seen.heard if "STATUS=on frequency" in text]
        assert statuses, seen.heard


async def ready_waits_for_no_radio_even_if_it_cannot_be_unkeyed(folder: Path) -> None:
    async with service(folder, config=CONFIG + KEYED_RADIO_AWAY) as seen:
        await seen.ready()
        await seen.beats(2)
        assert any(
            "STATUS=no contact with radio" in text or "STATUS=starting" in text
            for text in seen.heard
        )
        assert await seen.ends() == 0


async def a_stopped_process_starves_it_and_goes_on_when_let(folder: Path) -> None:
    async with service(folder) as seen:
        await seen.ready()
        await seen.beats(1)
        seen.process.send_signal(signal.SIGSTOP)
        await seen.starves()
        seen.process.send_signal(signal.SIGCONT)
        await seen.beats(2)


async def a_stalled_loop_starves_it_and_leaves_its_stack(folder: Path) -> None:
    with (folder / "log").open("wb") as log:
        async with service(folder, program=STALLED, stderr=log.fileno()) as seen:
            await seen.ready()
            await seen.starves()
            seen.process.send_signal(signal.SIGABRT)  # as the manager does then
            async with within(5.0):
                assert await seen.process.wait() == -signal.SIGABRT
    text = (folder / "log").read_text()
    assert "Fatal Python error: Aborted" in text and "in stalls" in text


async def a_dead_tick_starves_it_though_all_else_lives(folder: Path) -> None:
    pipe = asyncio.subprocess.PIPE
    async with service(folder, program=DEAD_TICK, stdout=pipe) as seen:
        await seen.ready()
        assert seen.process.stdout is not None
        await seen.process.stdout.readline()
        await seen.starves()
        lines = (await asyncio.wait_for(seen.process.stdout.read(1 << 16), 1.0)).split()
        assert len(lines) >= 10, "the loop lived all that time"


async def a_full_log_pipe_costs_no_second(folder: Path) -> None:
    """Standard error is full from the start, and nobody reads it."""

    reading, writing = os.pipe()
    try:
        os.set_blocking(writing, False)
        with suppress(BlockingIOError):
            while True:
                os.write(writing, b"." * 4096)
        os.set_blocking(writing, True)
        async with service(folder, stderr=writing) as seen:
            await seen.ready()
            await seen.beats(4)
            assert await seen.ends() == 0
    finally:
        os.close(reading)
        os.close(writing)


async def a_config_that_cannot_be_used_ends_with_the_code_the_unit_knows(folder: Path) -> None:
    """RestartPreventExitStatus=2 in the unit."""
    async with service(folder, config="colour = 1\n") as seen, within(START_S):
        assert await seen.process.wait() == 2


SCENES = (
    ready_fed_and_stopping_in_order,
    ready_waits_for_no_radio_even_if_it_cannot_be_unkeyed,
    a_stopped_process_starves_it_and_goes_on_when_let,
    a_stalled_loop_starves_it_and_leaves_its_stack,
    a_dead_tick_starves_it_though_all_else_lives,
    a_full_log_pipe_costs_no_second,
    a_config_that_cannot_be_used_ends_with_the_code_the_unit_knows,
)


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, BaseException | None]:
    """Of every scene, AT_ONCE of them at a time."""
    stages = asyncio.Semaphore(AT_ONCE)

    async def play(scene: Callable[[Path], Awaitable[None]]) -> None:
        async with stages:
            await scene(tmp_path_factory.mktemp("s"))

    async def play_all() -> list[BaseException | None]:
        return await asyncio.gather(*map(play, SCENES), return_exceptions=True)

    return dict(zip((scene.__name__ for scene in SCENES), asyncio.run(play_all()), strict=True))


@pytest.mark.parametrize("name", [scene.__name__ for scene in SCENES])
def test_watchdog(name: str, outcomes: dict[str, BaseException | None]) -> None:
    if (outcome := outcomes[name]) is not None:
        raise outcome
