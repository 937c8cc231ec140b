"""The README's MQTT lines work as printed."""

import json
import re
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from moontrim.config.remote import BUILT_IN_PORT
from support.mosquitto import require_mosquitto

pytestmark = pytest.mark.peers

README = (Path(__file__).parents[2] / "README.md").read_text()


def test_lines_for_the_shell(tmp_path: Path) -> None:
    """Against a rehearsal in real time, on the port that the README names, or where another daemon
    of this machine has taken that, on the one that was taken instead."""
    require_mosquitto()
    section = README.split("## From the phone")[1].split("\n## ")[0]
    (block,) = re.findall(r"```sh\n(.*?)```", section, re.DOTALL)
    lines = block.strip().splitlines()
    assert len(lines) == 6 and all(f"-p {BUILT_IN_PORT} " in line for line in lines)
    rehearsal = subprocess.Popen(
        [sys.executable, "-m", "moontrim", "rehearse", "--pace", "1", "--quiet"],
        cwd=tmp_path, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        deadline = time.monotonic() + 60.0
        while True:
            port = port_of_its_broker(rehearsal.pid)
            first = run(f"mosquitto_sub -p {port} -t moontrim/station/availability -C 1 -W 2")
            if first.strip() == "online":
                break
            assert time.monotonic() < deadline, "the broker of the rehearsal does not answer"
            time.sleep(0.2)
        said = [run(line.replace(f"-p {BUILT_IN_PORT} ", f"-p {port} ")) for line in lines]
    finally:
        rehearsal.terminate()
        _, log = rehearsal.communicate(timeout=20)
    assert "Traceback" not in log
    assert json.loads(said[0])["sked_hz"] == 10_368_100_000
    assert "moontrim/station/value/tracking on frequency" in said[1]
    assert said[2] == ""
    assert json.loads(said[3])["result"] == {"sked_hz": 10_368_105_000}
    assert json.loads(said[4])["result"] == {"agreement": "receiver"}
    assert json.loads(said[5])["result"] == {"tx_allowed": False}


def port_of_its_broker(pid: int) -> int:
    """The usual one while it has none."""
    for child in psutil.Process(pid).children():
        for connection in child.net_connections("tcp4") if child.name() == "mosquitto" else ():
            if connection.status == psutil.CONN_LISTEN:
                return int(connection.laddr.port)
    return BUILT_IN_PORT


def run(line: str) -> str:
    return subprocess.run(
        line, shell=True, capture_output=True, text=True, timeout=20, check=False
    ).stdout
