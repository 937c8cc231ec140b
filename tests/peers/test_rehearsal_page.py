"""A rehearsal on a phone: opened to the network like the daemon itself, and marked as such."""

from __future__ import annotations

import asyncio
import json
import socket
import sys
from pathlib import Path

import pytest

from moontrim.remote.broker.passwords import FILE
from support.moontrim_process import ENVIRONMENT
from support.mosquitto import require_mosquitto, run
from support.processor import within
from support.rigctld import free_port, listening

pytestmark = pytest.mark.peers

CONFIG = """
state_dir = "{folder}/state"
[home]
locator = "IM12MR55MM"
[[partners]]
name = "north"
locator = "KP20NF11AA"
[[bands]]
name = "10 GHz"
sked_hz = 10_368_100_000
tx_low_hz = 10_368_000_000
tx_high_hz = 10_370_000_000
transverter_offset_hz = 10_224_000_000
[remote]
lan_address = "127.0.0.1"
http_port = {http}
port = {port}
https_port = {https}
tls_port = {tls}
"""


def test_a_rehearsal_opened_to_the_network(tmp_path: Path) -> None:
    """With the certificate and the passwords of the station, beside a program on one of its
    ports."""
    require_mosquitto()
    ports = {name: free_port() for name in ("http", "port", "https", "tls")}
    config = tmp_path / "station.toml"
    config.write_text(CONFIG.format(folder=tmp_path, **ports))
    state = tmp_path / "state"

    async def main() -> str:
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "moontrim", "rehearse", "--config", str(config), "--lan"),
            *("--pace", "1", "--plot", str(tmp_path / "out.png"), "--minutes", "5"),
            *("--journal-dir", str(tmp_path)),
            env=ENVIRONMENT,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
        )
        assert process.stdout is not None
        try:
            async with within(60.0):
                await listening(ports["tls"], 60.0)
                await listening(ports["https"], 60.0)
            password = json.loads((state / FILE).read_text())["phone"]
            code, shown = await run(
                *("mosquitto_sub", "-h", "127.0.0.1", "-p", str(ports["tls"])),
                *("--cafile", str(state / "tls" / "authority.pem"), "-u", "phone", "-P", password),
                *("-t", "moontrim/station/info", "-C", "1", "-W", "20"),
                within_s=30.0,
            )
            assert code == 0, shown
            info = json.loads(shown)
            assert info["rehearsal"] is True
            assert info["report"] == "/report"
            assert info["partners"] == [{"name": "north", "locator": "KP20nf11aa"}]
            assert {path.name for path in state.iterdir()} == {FILE, "tls"}, "nothing else of it"
        finally:
            process.terminate()
            output, _ = await process.communicate()
        return output.decode()

    with socket.create_server(("127.0.0.1", ports["http"])):
        said = asyncio.run(main())
    assert f"Port {ports['http']} of the config is in use; page: " in said
