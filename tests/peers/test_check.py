"""`moontrim check` beside real processes: a daemon that runs, programs that have its ports, and
Hamlib's rigctld without a command to transmit."""

from __future__ import annotations

import asyncio
import json
import signal
import socket
import sys
from pathlib import Path
from typing import Any

import pytest

from moontrim.preflight.running import running_daemon
from moontrim.session.sessionfile import LOCK, nobody_else
from support.effort import cases
from support.fake_rig_server import FakeRigServer
from support.moontrim_process import ENVIRONMENT, LEAST_CONFIG
from support.mosquitto import require_mosquitto
from support.processor import within
from support.rigctld import free_port, listening, require_rigctld, rigctld

pytestmark = pytest.mark.peers

RADIO = """
[radio]
driver = "socket"
options = {{port = {port}}}
[share]
port = {share}
[remote]
port = {mqtt}
http_port = {http}
"""
KEYING = """
[keying]
enabled = true
[[keying.outputs]]
kind = "radio"
"""


def write_config(folder: Path, port: int, more: str = "", **ports: int) -> Path:
    path = folder / "station.toml"
    free = {name: free_port() for name in ("share", "mqtt", "http")}
    text = RADIO.format(port=port, **free | ports)
    path.write_text(f'state_dir = "{folder / "state"}"\n{LEAST_CONFIG}{text}{more}')
    return path


async def check(config: Path) -> dict[str, dict[str, Any]]:
    """Runs `moontrim check` and returns its lines by what they are about."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "moontrim", "check", "--json", "--config", str(config)),
        env=ENVIRONMENT,
        stdout=asyncio.subprocess.PIPE,
    )
    async with within(60.0):
        output, _ = await process.communicate()
    return {line["what"]: line for line in json.loads(output)}


def test_while_the_daemon_runs_its_radio_is_not_touched(tmp_path: Path) -> None:
    async def main() -> None:
        async with FakeRigServer() as rig:
            config = write_config(tmp_path, rig.port)
            daemon = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "moontrim", "run", "--config", str(config)),
                env=ENVIRONMENT,
                stderr=asyncio.subprocess.DEVNULL,
            )
            try:
                async with within(30.0):
                    while len(rig.heard) < 30:
                        await asyncio.sleep(0.05)
                connections: set[int] = set()
                checking = asyncio.create_task(check(config))
                while not checking.done():
                    connections.add(rig.connections())
                    await asyncio.sleep(0.002)
                lines = await checking
                assert connections == {1}, "the daemon's own"
                assert lines["radio"]["level"] == "note"
                assert f"moontrim is running on {tmp_path / 'state'}" in lines["radio"]["text"]
                assert lines["ports"]["level"] == "ok", "they are the daemon's"
                assert "dials" not in lines and "1296 MHz" not in lines
            finally:
                daemon.kill()
                await daemon.wait()
            lines = await check(config)
            assert "receive dial" in lines["radio"]["text"], "killed, it runs no more"

    asyncio.run(main())


def test_running_or_not(tmp_path: Path) -> None:
    """By the lock alone, which looking at it does not disturb."""
    folder = tmp_path / "state"
    assert running_daemon((folder,)) == ""
    with nobody_else(folder):
        assert str(folder) in running_daemon((tmp_path / "other", folder))
        assert "cannot tell" in running_daemon((folder,), tmp_path)
    assert (folder / LOCK).exists()
    assert running_daemon((folder,)) == ""


def test_ports_given_twice_or_taken(tmp_path: Path) -> None:
    async def main() -> None:
        async with FakeRigServer() as rig:
            with socket.socket() as program:
                program.bind(("127.0.0.1", 0))
                program.listen()
                port = free_port()
                taken = program.getsockname()[1]
                config = write_config(tmp_path, rig.port, share=port, http=port, mqtt=taken)
                lines = await check(config)
                assert lines["share.port"]["level"] == "fail"
                assert "also remote.http_port" in lines["share.port"]["text"]
                assert lines["remote.port"]["level"] == "fail"
                assert "in use" in lines["remote.port"]["text"]
            lines = await check(write_config(tmp_path, rig.port))
            assert lines["ports"]["level"] == "ok" and "free" in lines["ports"]["text"]

    asyncio.run(main())


@pytest.mark.parametrize(("ptt", "level"), [("RIG", None), ("NONE", "fail")])
def test_a_rigctld_without_a_command_to_transmit(
    tmp_path: Path, ptt: str, level: str | None
) -> None:
    require_rigctld()

    async def main() -> None:
        port = free_port()
        async with rigctld(port, "-P", ptt):
            config = write_config(tmp_path, port, KEYING)
            lines = await check(config)
            line = lines.get("transmit")
            assert (line and line["level"]) == level, lines
            if line:
                assert "cannot be keyed by command" in line["text"]

    asyncio.run(main())


@pytest.mark.parametrize("taken", cases(True, False))
def test_a_rehearsal_uses_the_ports_of_the_config_or_says_which(
    tmp_path: Path, taken: bool
) -> None:
    require_mosquitto()

    async def main() -> None:
        page, *_, broker = (free_port() for _ in range(60))  # not neighbours
        config = write_config(tmp_path, free_port(), http=page, mqtt=broker)
        with socket.socket() as program:
            if taken:
                program.bind(("127.0.0.1", page))
                program.listen()
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "moontrim", "rehearse", "--config", str(config)),
                *("--pace", "1", "--quiet"),
                env=ENVIRONMENT,
                cwd=tmp_path,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.STDOUT,
            )
            try:
                await listening(broker, 30.0)
                await listening(page + taken, 30.0)
            finally:
                process.send_signal(signal.SIGINT)
                async with within(30.0):
                    output, _ = await process.communicate()
        assert f"phone page: http://127.0.0.1:{page + taken}/" in output.decode()
        said = f"Port {page} of the config is in use; page: {page + 1}" in output.decode()
        assert said is taken, output.decode()

    asyncio.run(main())
