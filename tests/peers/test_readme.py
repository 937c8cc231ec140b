"""The README's command lines work as printed."""

import json
import re
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import psutil
import pytest
import soundfile

from moontrim.config.remote import BUILT_IN_PORT
from support.moontrim_process import ENVIRONMENT, least_config_under_the_moon
from support.mosquitto import require_mosquitto

pytestmark = pytest.mark.peers

README = (Path(__file__).parents[2] / "README.md").read_text()


def test_lines_for_the_shell(tmp_path: Path) -> None:
    """Against a rehearsal in real time, on the port that the README names, or where another daemon
    of this machine has taken that, on the one that was taken instead."""
    require_mosquitto()
    section = README.split("## Phone")[1].split("\n## ")[0]
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


def command_lines() -> list[str]:
    """What follows `moontrim` wherever its whole path is printed, in order."""
    printed = r"`\.venv/bin/moontrim ([^`]+)`|^ {4}\.venv/bin/moontrim ([^#\n]+)"
    found = re.finditer(printed, README, re.MULTILINE)
    lines = [" ".join((match[1] or match[2]).split()) for match in found]
    optional = re.compile(r" \[([^]]+)\]")
    return [
        shape for line in lines
        for shape in dict.fromkeys((optional.sub("", line), optional.sub(r" \1", line)))
    ]  # fmt: skip


UNTIL_STOPPED = ("run", "simulate", "rehearse --pace 1")


def prepare(folder: Path) -> None:
    """Makes the files that the lines name."""
    config = least_config_under_the_moon() + "[clock]\ntrust = 'any'\n[remote]\nenabled = false\n"
    (folder / "my.toml").write_text(f"state_dir = '{folder}/state'\n" + config)
    rng, rate_hz = np.random.default_rng(1), 12_000
    t = np.arange(60 * rate_hz) / rate_hz
    noise = 0.05 * rng.standard_normal(t.size)
    soundfile.write(folder / "noise.wav", noise, rate_hz)
    soundfile.write(folder / "tone.wav", noise + 0.02 * np.sin(2 * np.pi * 1000.2 * t), rate_hz)


@pytest.mark.long
@pytest.mark.timeout(900)
def test_command_lines(tmp_path: Path) -> None:
    """One after the other: some need what one before has left."""
    prepare(tmp_path)
    lines = command_lines()
    assert len(lines) > 12
    for line in lines:
        command = line.replace("report 7 ", "report 1 ").split()  # there has been one session
        process = subprocess.Popen(
            [sys.executable, "-m", "moontrim", *command], cwd=tmp_path, env=ENVIRONMENT,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        assert process.stdout is not None
        shown = ""
        if line.startswith(UNTIL_STOPPED):
            shown = process.stdout.readline()
            time.sleep(12.0)  # a session of some seconds, which the report can judge
            process.terminate()
        shown += process.communicate(timeout=280)[0]
        assert process.returncode == 0, f"{line}\n{shown}"
        assert "Traceback" not in shown
        for file in re.findall(r"--(?:plot|csv) (\S+)", line):
            assert (tmp_path / file).stat().st_size > 0


def test_the_commands_that_it_mentions() -> None:
    """By the command's name and options, in its own help."""
    for line in re.findall(r"`moontrim (\w[^`]*)`", README):
        name, *options = line.split()
        done = run(f"{sys.executable} -m moontrim {name} --help")
        assert done.startswith(f"usage: moontrim {name}"), done
        assert all(option in done for option in options if option.startswith("--")), line
