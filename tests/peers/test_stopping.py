"""What an end of the daemon leaves behind: an orderly stop is reported, and the service manager's
`moontrim unkey` then opens no port; a kill leaves no folders."""

from __future__ import annotations

import asyncio
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from moontrim.service.privatefolder import LOCK, PrivateFolder
from support.fake_rig_server import FakeRigServer
from support.moontrim_process import ENVIRONMENT, LEAST_CONFIG
from support.mosquitto import require_mosquitto
from support.processor import within
from support.rigctld import free_port

pytestmark = pytest.mark.peers

STATION = """
[share]
enabled = false
[remote]
enabled = {remote}
port = {mqtt}
http_port = {http}
[radio]
driver = "socket"
options = {{port = {port}}}
[keying]
enabled = true
[[keying.outputs]]
kind = "radio"
"""


def write_config(folder: Path, rig: FakeRigServer, *, remote: bool) -> Path:
    path = folder / "station.toml"
    text = STATION.format(
        remote=str(remote).lower(), mqtt=free_port(), http=free_port(), port=rig.port
    )
    path.write_text(f'state_dir = "{folder / "state"}"\n{LEAST_CONFIG}{text}')
    return path


@asynccontextmanager
async def running(config: Path, rig: FakeRigServer) -> AsyncIterator[asyncio.subprocess.Process]:
    """Runs the daemon until it has read the radio; the caller ends it."""
    heard = len(rig.heard)
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "moontrim", "run", "--config", str(config)),
        env={**ENVIRONMENT, "TMPDIR": str(config.parent)},
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        async with within(30.0):
            while len(rig.heard) < heard + 30:
                await asyncio.sleep(0.05)
        yield process
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()


async def log_of(process: asyncio.subprocess.Process) -> str:
    assert process.stderr is not None
    async with within(15.0):
        return (await process.stderr.read()).decode()


async def unkey(config: Path, result: str = "") -> str:
    """Runs `moontrim unkey`; result: as the service manager reports it."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "moontrim", "unkey", "--config", str(config)),
        env=ENVIRONMENT | ({"SERVICE_RESULT": result} if result else {}),
        stdout=asyncio.subprocess.PIPE,
    )
    async with within(30.0):
        output, _ = await process.communicate()
    assert process.returncode == 0
    return output.decode()


def test_after_an_orderly_stop_the_service_manager_opens_no_port(tmp_path: Path) -> None:
    async def main() -> None:
        async with FakeRigServer() as rig:
            config = write_config(tmp_path, rig, remote=False)
            async with running(config, rig) as process:
                process.send_signal(signal.SIGTERM)
                log = await log_of(process)
                assert await process.wait() == 0
            assert "moontrim stopped: all outputs off" in log
            heard = len(rig.heard)
            assert "nothing to switch off" in await unkey(config, "success")
            assert len(rig.heard) == heard
            for result in ("", "watchdog", "signal"):
                assert "radio: off" in await unkey(config, result), result
                assert len(rig.heard) > heard
                heard = len(rig.heard)

            async with running(config, rig) as process:
                assert "radio: off" in await unkey(config, "success"), "a start removes the mark"
                process.kill()
                await process.wait()
            assert "radio: off" in await unkey(config, "success")

    asyncio.run(main())


def test_a_killed_daemon_leaves_no_folders_for_long(tmp_path: Path) -> None:
    require_mosquitto()

    def folders() -> list[Path]:
        return sorted(tmp_path.glob("moontrim-*"))

    async def main() -> None:
        async with FakeRigServer() as rig:
            config = write_config(tmp_path, rig, remote=True)
            for _ in range(2):
                async with running(config, rig) as process:
                    process.kill()
                    await process.wait()
                assert len(folders()) == 1, "only that of the last"
            async with running(config, rig) as process:
                process.send_signal(signal.SIGTERM)
                await log_of(process)
                assert await process.wait() == 0
            assert not folders()

    asyncio.run(main())


def test_folders_of_others_are_left_alone(tmp_path: Path) -> None:
    """One that is in use, one without the lock, and one that others can write to."""
    used = PrivateFolder(tmp_path)
    (tmp_path / "moontrim-other").mkdir(mode=0o700)
    shared = tmp_path / "moontrim-shared"
    shared.mkdir()
    shared.chmod(0o777)
    (shared / LOCK).touch()
    again = PrivateFolder(tmp_path)
    assert used.path.is_dir() and shared.is_dir() and (tmp_path / "moontrim-other").is_dir()
    used.remove()
    again.remove()
    assert not used.path.exists()
