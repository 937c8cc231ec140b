"""`moontrim access` beside a daemon that runs: it shows what a phone needs, and changes nothing."""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path

import pytest

from moontrim.remote.broker.passwords import FILE
from support.moontrim_process import ENVIRONMENT, LEAST_CONFIG
from support.mosquitto import require_mosquitto
from support.processor import within
from support.rigctld import free_port, listening

pytestmark = pytest.mark.peers


async def access(config: Path, *options: str) -> str:
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "moontrim", "access", "--config", str(config), *options),
        env=ENVIRONMENT,
        stdout=asyncio.subprocess.PIPE,
    )
    async with within(30.0):
        output, _ = await process.communicate()
    assert process.returncode == 0
    return output.decode()


def contents(folder: Path) -> dict[str, tuple[int, int]]:
    """Returns size and time of change of each file that the daemon does not write to."""
    kept = [folder / FILE, *(folder / "tls").iterdir()]
    return {path.name: (path.stat().st_size, path.stat().st_mtime_ns) for path in kept}


def test_while_the_daemon_runs(tmp_path: Path) -> None:
    require_mosquitto()
    state, secure = tmp_path / "state", free_port()
    config = tmp_path / "station.toml"
    config.write_text(
        f'state_dir = "{state}"\n{LEAST_CONFIG}[share]\nenabled = false\n[remote]\nlan = true\n'
        f'lan_address = "127.0.0.1"\nport = {free_port()}\nhttp_port = {free_port()}\n'
        f"https_port = {secure}\n"
    )

    async def main() -> None:
        assert "On this machine only" in await access(config)
        assert not state.exists(), "it makes nothing"
        daemon = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "moontrim", "run", "--config", str(config)),
            env=ENVIRONMENT,
            stderr=asyncio.subprocess.DEVNULL,
        )
        try:
            await listening(secure, 30.0)
            before = contents(state)
            shown = json.loads(await access(config, "--json"))
            passwords = json.loads((state / FILE).read_text())
            assert shown["passwords"] == {name: passwords[name] for name in ("phone", "viewer")}
            assert shown["urls"] == [f"https://127.0.0.1:{secure}/"]
            assert len(shown["fingerprint"]) == 95
            text = await access(config)
            assert passwords["phone"] in text and shown["fingerprint"] in text
            assert "\u2588" in text or "\u2584" in text, "a QR code"
            assert contents(state) == before
            assert daemon.returncode is None
        finally:
            daemon.kill()
            await daemon.wait()

    asyncio.run(main())
