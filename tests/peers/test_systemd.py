"""The unit under systemd itself: what its own tools say of it, and what happens in earnest when the
daemon is killed, hangs or cannot use its config.

CI also boots a container, in which the system's unit runs as it does on a machine."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from time import monotonic, sleep

import pytest

from moontrim.cli import installservice
from moontrim.service.install import shipped
from support.fake_rig_server import FakeRigServer
from support.moontrim_process import ENVIRONMENT, least_config_under_the_moon
from support.mosquitto import require_mosquitto
from support.processor import within
from support.rigctld import free_port
from support.service_manager import Manager, machine, require, user_manager

pytestmark = pytest.mark.peers

UNIT = "moontrim@test.service"
MOST_EXPOSURE = 1.5
STATION = f"{least_config_under_the_moon()}[share]\nenabled = false\n"
KEYED = """
[remote]
enabled = {remote}
[radio]
driver = "socket"
options = {{port = {port}}}
[keying]
enabled = true
[[keying.outputs]]
kind = "radio"
"""


def install(*arguments: str | Path) -> None:
    parser = argparse.ArgumentParser()
    installservice.add(parser.add_subparsers())
    options = parser.parse_args(["install-service", "test", *map(str, arguments)])
    assert options.call(options) == 0


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "station.toml"
    path.write_text(STATION)
    return path


# --- its own tools --------------------------------------------------------------------------------


@pytest.fixture
def unit(tmp_path: Path, config: Path) -> Path:
    """The unit as installed, with a program that exists, as an instance of its own."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not installed")
    install("--config", config, "--root", tmp_path / "root", "--program", "/bin/true")
    folder = tmp_path / "root/etc/systemd/system"
    (folder / UNIT).symlink_to("moontrim@.service")
    return folder / UNIT


def test_systemd_finds_nothing_wrong_with_it(unit: Path) -> None:
    done = subprocess.run(["systemd-analyze", "verify", unit], capture_output=True, text=True)
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


def test_verify_would_tell(unit: Path) -> None:
    """The check above can fail."""
    template = unit.with_name("moontrim@.service")
    template.write_text(template.read_text().replace("WatchdogSec=10s", "WatchdogSec=often"))
    done = subprocess.run(["systemd-analyze", "verify", unit], capture_output=True, text=True)
    assert "often" in done.stderr


def test_it_is_kept_in_tightly(unit: Path) -> None:
    threshold = round(MOST_EXPOSURE * 10)
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", f"--threshold={threshold}", unit],
        capture_output=True,
        text=True,
    )
    exposure = re.search(r"Overall exposure level.*?: ([\d.]+)", done.stdout)
    assert exposure and float(exposure[1]) <= MOST_EXPOSURE, done.stdout[-2000:]
    assert done.returncode == 0


def test_udev_takes_the_rules(tmp_path: Path) -> None:
    """Its examples in force, by udev's own parser, which complains of what it does not know."""
    for program in ("udevadm", "unshare"):
        if shutil.which(program) is None:
            pytest.skip(f"{program} is not installed")
    if os.geteuid() != 0:
        pytest.skip("putting rules before udev, for a moment of our own, takes root")
    text = shipped("70-moontrim.rules").replace("#SUBSYSTEM", "SUBSYSTEM")
    good, bad = tmp_path / "good", tmp_path / "bad"
    good.write_text(text.replace('GROUP="gpio"', 'GROUP="root"'))
    bad.write_text(text + 'SUBSYSTEM=="tty", SYMLNIK+="x"\n')

    def said(rules: Path) -> str:
        script = (
            "mkdir -p /run/udev && mount -t tmpfs tmpfs /run/udev && mkdir /run/udev/rules.d && "
            f"cp {rules} /run/udev/rules.d/70-moontrim.rules && udevadm test /sys/class/mem/null"
        )
        done = subprocess.run(
            ["unshare", "--mount", "sh", "-c", script], capture_output=True, text=True
        )
        return done.stdout + done.stderr

    told = said(good)
    if "70-moontrim.rules" not in told:
        pytest.skip("udevadm test reads no rules here")
    assert "70-moontrim.rules:" not in told
    assert "70-moontrim.rules:" in said(bad)


# --- a user's manager -----------------------------------------------------------------------------


@contextmanager
def keyed_radio() -> Iterator[FakeRigServer]:
    """A radio on the network, in a thread of its own."""
    ready, over = threading.Event(), asyncio.Event()
    made: list[tuple[FakeRigServer, asyncio.AbstractEventLoop]] = []

    async def serve() -> None:
        async with FakeRigServer() as rig:
            made.append((rig, asyncio.get_running_loop()))
            ready.set()
            await over.wait()

    thread = threading.Thread(target=lambda: asyncio.run(serve()))
    thread.start()
    assert ready.wait(10)
    rig, loop = made[0]
    try:
        yield rig
    finally:
        loop.call_soon_threadsafe(over.set)
        thread.join(10)


def kill(manager: Manager, signal: str) -> None:
    manager.systemctl("kill", "--kill-whom=main", "-s", signal, UNIT)


def keyed_through_the_share(port: int, rig: FakeRigServer) -> None:
    """Requests the key until it is there: on frequency some seconds after the start."""
    deadline_s = monotonic() + 30
    while not rig.keyed:
        assert monotonic() < deadline_s, "not keyed"
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port)) as share:
            share.settimeout(5)
            share.sendall(b"T 1\n")
            if b"RPRT 0" in share.recv(100):
                share.detach()  # which keeps it open: its end would release the key
                return
        sleep(0.2)


@pytest.mark.timeout(300)
@pytest.mark.parametrize("signal", ["KILL", "STOP"])
def test_killed_or_stopped_while_it_keys_under_a_user_manager(
    signal: str, tmp_path: Path, config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The guard unkeys, though the manager kills what is left of the unit once the daemon is dead;
    if it is killed first, ExecStopPost unkeys."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    program = tmp_path / "moontrim"
    path = ENVIRONMENT["PYTHONPATH"]
    program.write_text(f'#!/bin/sh\nPYTHONPATH={path} exec {sys.executable} -m moontrim "$@"\n')
    program.chmod(0o755)
    port = free_port()
    with keyed_radio() as rig:
        keyed = KEYED.format(remote="false", port=rig.port)
        trust = '[clock]\ntrust = "any"\n'
        config.write_text(f"{least_config_under_the_moon()}{trust}[share]\nport = {port}\n{keyed}")
        install("--config", config, "--user", "--program", program)
        with user_manager(tmp_path) as manager:
            manager.systemctl("start", UNIT)
            keyed_through_the_share(port, rig)
            kill(manager, signal)
            began_s = monotonic()
            while rig.keyed:
                assert monotonic() < began_s + 3
                sleep(0.01)
            print(f"{signal}: unkeyed after {monotonic() - began_s:.2f} s")
            if signal == "STOP":
                kill(manager, "CONT")
            else:
                manager.until(UNIT, 30, ActiveState="active", NRestarts="1")
            sleep(2.0)
            assert not rig.keyed, "keyed again by itself"
            manager.systemctl("stop", UNIT)


@pytest.mark.timeout(300)
@pytest.mark.long
def test_killed_hung_and_stopped_under_a_user_manager(
    tmp_path: Path, config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    program = tmp_path / "moontrim"
    path = ENVIRONMENT["PYTHONPATH"]
    program.write_text(f'#!/bin/sh\nPYTHONPATH={path} exec {sys.executable} -m moontrim "$@"\n')
    program.chmod(0o755)
    with keyed_radio() as rig:
        config.write_text(STATION + KEYED.format(remote="false", port=rig.port))
        install("--config", config, "--user", "--program", program)
        hasty = tmp_path / f"config/systemd/user/{UNIT}.d"
        hasty.mkdir()
        (hasty / "test.conf").write_text("[Service]\nWatchdogSec=2s\nTimeoutAbortSec=1s\n")
        with user_manager(tmp_path) as manager:
            manager.systemctl("start", UNIT)
            manager.until(UNIT, 10, StatusText="on frequency", ActiveState="active")

            # Killed while it transmits: unkeyed at once, running again soon.
            rig.keyed = True
            kill(manager, "KILL")
            manager.until(UNIT, 20, SubState="auto-restart")
            assert not rig.keyed, "ExecStopPost came before the restart"
            manager.until(UNIT, 30, ActiveState="active", NRestarts="1")

            # Stopped in its tracks while it transmits: the watchdog bites.
            kill(manager, "STOP")
            rig.keyed = True
            manager.until(UNIT, 20, SubState="auto-restart", Result="watchdog")
            assert not rig.keyed
            manager.until(UNIT, 30, ActiveState="active", NRestarts="2")

            manager.systemctl("stop", UNIT)
            assert manager.show(UNIT, "Result") == "success"

            # A config that cannot be used is not tried again and again.
            (tmp_path / "config/moontrim/test.toml").write_text("colour = 1\n")
            manager.systemctl("start", UNIT, check=False)
            manager.until(UNIT, 20, ActiveState="failed", NRestarts="0", ExecMainStatus="2")


# --- the system's manager, in a container ---------------------------------------------------------

# What the service can and cannot do, tried from inside it.
PROBE = """
import json, os, socket
def errno_of(call):
    try:
        call()
    except OSError as error:
        return error.errno
    return 0
def connect(host):
    with socket.socket() as s:
        s.settimeout(3)
        s.connect((host, 9))
def send(host):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as s:
        s.sendto(b"x", (host, 9))
print("PROBE " + json.dumps({
    "serial, no driver yet": errno_of(lambda: os.open("/dev/ttyUSB7", os.O_RDWR | os.O_NOCTTY)),
    "another device": errno_of(lambda: os.open("/dev/tty7", os.O_RDWR | os.O_NOCTTY)),
    "local network": errno_of(lambda: send("192.168.77.2")),
    "elsewhere": errno_of(lambda: send("203.0.113.2")),
    "loopback": errno_of(lambda: connect("127.0.0.1")),
    "etc": errno_of(lambda: open("/etc/moontrim/x", "w")),
    "state": errno_of(lambda: open(os.environ["STATE_DIRECTORY"] + "/x", "w")),
    "runtime": errno_of(lambda: open(os.environ["RUNTIME_DIRECTORY"] + "/x", "w")),
    "password": open(os.environ["CREDENTIALS_DIRECTORY"] + "/mqtt_password").read(),
    "user": os.getuid(),
}))
"""
EPERM, EROFS, ECONNREFUSED, NO_DEVICE = 1, 30, 111, (6, 19)


@pytest.mark.long
@pytest.mark.timeout(300)
def test_the_unit_in_a_booted_container(tmp_path: Path, config: Path) -> None:
    require("rigctld")
    root = tmp_path / "root"
    config.write_text(STATION + KEYED.format(remote="true", port=4532))
    install("--config", config, "--root", root, "--program", "/opt/run/moontrim")
    (root / "etc/moontrim/other.toml").write_text("colour = 1\n")
    with machine(root, tmp_path / "log") as box:
        box.run("systemd-run", "-q", "--unit=rig", "rigctld", "-m", "1", "-P", "RIG", "-t", "4532")
        box.until("rig.service", 10, ActiveState="active")
        began_s = monotonic()
        box.systemctl("start", UNIT, check=False)
        box.until(UNIT, 20, StatusText="on frequency", ActiveState="active")
        took = {"start": monotonic() - began_s}
        sleep_until_broker(box)
        look_at_processes(box, took)
        look_at_journal(box)

        def keyed() -> str:
            return box.run("rigctl", "-m", "2", "-r", "127.0.0.1:4532", "t").strip()

        for what, signal, result in (
            ("SIGKILL", "KILL", "signal"),
            ("watchdog", "STOP", "watchdog"),
        ):
            before = box.show(UNIT, "NRestarts")
            if signal == "STOP":
                kill(box, signal)  # first, or it would unkey a radio that it did not key
            box.run("rigctl", "-m", "2", "-r", "127.0.0.1:4532", "T", "1")
            assert keyed() == "1"
            if signal == "KILL":
                kill(box, signal)
            waited_s = box.until(UNIT, 30, SubState="auto-restart", Result=result)
            assert keyed() == "0", what
            took[f"{what}: unkeyed"] = waited_s
            after = str(int(before) + 1)
            took[f"{what}: ready again"] = waited_s + box.until(
                UNIT, 30, ActiveState="active", NRestarts=after
            )
        box.systemctl("stop", UNIT)
        assert box.show(UNIT, "Result") == "success"
        box.run("test", "-s", "/var/lib/private/moontrim/test")

        box.systemctl("start", "moontrim@other", check=False)
        box.until("moontrim@other", 20, ActiveState="failed", ExecMainStatus="2", NRestarts="0")
        print(json.dumps(took, indent=1))


def sleep_until_broker(box: Manager) -> None:
    """The own broker runs as a child, in the same cage."""
    for _ in range(100):
        if "mosquitto" in processes(box).values():
            return
        box.run("sleep", "0.1")
    raise AssertionError(box.run("journalctl", "--no-pager", "-u", UNIT))


def processes(box: Manager) -> dict[str, str]:
    """Of the service: name by process id."""
    group = box.show(UNIT, "ControlGroup")
    pids = box.run("cat", f"/sys/fs/cgroup{group}/cgroup.procs").split()
    return {pid: box.run("cat", f"/proc/{pid}/comm").strip() for pid in pids}


def look_at_processes(box: Manager, took: dict[str, float]) -> None:
    for pid, name in processes(box).items():
        status = dict(
            line.split(":\t", 1) for line in box.run("cat", f"/proc/{pid}/status").splitlines()
        )
        assert status["CapEff"].strip("0") == "" and status["NoNewPrivs"] == "1"
        assert status["Seccomp"] == "2" and not status["Uid"].startswith("0\t")
        assert "NOTIFY_SOCKET" not in box.run("cat", f"/proc/{pid}/environ") or name != "mosquitto"
        took[f"{name} VmHWM, MB"] = int(status["VmHWM"].split()[0]) / 1024
        took[f"{name} threads"] = int(status["Threads"])


def look_at_journal(box: Manager) -> None:
    lines = box.run("journalctl", "-u", UNIT, "-o", "json", "--no-pager").splitlines()
    entries = [entry for line in lines if "MOONTRIM_LOGGER" in (entry := json.loads(line))]
    connected = [e for e in entries if str(e["MESSAGE"]).startswith("radio connected")]
    assert connected, lines
    assert connected[0]["_TRANSPORT"] == "journal" and connected[0]["PRIORITY"] == "6"
    assert connected[0]["SYSLOG_IDENTIFIER"] == "moontrim"
    banded = box.run("journalctl", "-u", UNIT, "MOONTRIM_BAND=1296 MHz", "-q", "--no-pager")
    assert "on frequency" in banded


@pytest.mark.long
@pytest.mark.timeout(120)
def test_what_the_service_can_and_cannot_do(tmp_path: Path, config: Path) -> None:
    root = tmp_path / "root"
    install("--config", config, "--root", root, "--program", "/opt/run/moontrim")
    credentials = root / "etc/credstore"
    credentials.mkdir()
    (credentials / "moontrim-probe.mqtt_password").write_text("hush")
    drop_in = root / "etc/systemd/system/moontrim@probe.service.d/probe.conf"
    drop_in.parent.mkdir()
    drop_in.write_text(
        "[Service]\nType=oneshot\nRestart=no\nWatchdogSec=0\nExecStopPost=\nExecStart=\n"
        "ExecStart=/usr/bin/env python3 /opt/run/probe.py\n"
    )
    with machine(root, tmp_path / "log") as box:
        (root / "opt/probe.py").write_text(PROBE)
        for number, place in (("188", "/dev/ttyUSB7"), ("4", "/dev/tty7")):
            box.run("mknod", "-m", "666", place, "c", number, "7")
        for address in ("192.168.77.1/24", "203.0.113.1/24"):
            box.run("ip", "address", "add", address, "dev", "lo")
        box.systemctl("start", "moontrim@probe")
        said = box.run("journalctl", "-u", "moontrim@probe", "-o", "cat", "--no-pager")
    found = json.loads(next(x for x in said.splitlines() if x.startswith("PROBE "))[6:])
    assert found.pop("serial, no driver yet") in NO_DEVICE, "allowed, though nothing is there yet"
    assert found.pop("user") > 60000
    assert found == {
        "another device": EPERM,
        "local network": 0,
        "elsewhere": EPERM,
        "loopback": ECONNREFUSED,
        "etc": EROFS,
        "state": 0,
        "runtime": 0,
        "password": "hush",
    }


# --- the log of a full run ------------------------------------------------------------------------


async def log_of_a_run(config: Path, folder: Path, runtime: Path) -> tuple[str, dict[str, bytes]]:
    """What it logs, the daemon being asked the hard way, and the environment of its children."""
    environment = {**ENVIRONMENT, "NOTIFY_SOCKET": str(folder / "none")}
    environment |= {"RUNTIME_DIRECTORY": str(runtime), "MOONTRIM_MQTT_PASSWORD": "other-secret"}
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "moontrim", "run", "--config", str(config)),
        stdin=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.PIPE,
        env=environment,
    )
    assert process.stderr is not None
    children: dict[str, bytes] = {}
    text = b""
    async with within(60):
        while b"phone page: http" not in text:
            text += await process.stderr.readline()
    task = Path(f"/proc/{process.pid}/task/{process.pid}/children")
    for pid in task.read_text().split():
        name = Path(f"/proc/{pid}/comm").read_text().strip()
        children[name] = Path(f"/proc/{pid}/environ").read_bytes()
    process.terminate()
    text += (await asyncio.wait_for(process.communicate(), 20))[1]
    assert process.returncode == 0, text
    return text.decode(), children


def test_no_password_in_the_log_of_a_full_run(tmp_path: Path, config: Path) -> None:
    """Open to the network, so that passwords are made."""
    require_mosquitto()
    runtime, state = tmp_path / "run", tmp_path / "state"
    runtime.mkdir()
    page, port = free_port(), free_port()
    config.write_text(
        f'state_dir = "{state}"\n{STATION}[remote]\nlan = true\nlan_address = "127.0.0.1"\n'
        f"http_port = {page}\nport = {port}\n"
        f"https_port = {free_port()}\ntls_port = {free_port()}\n"
    )
    log, children = asyncio.run(log_of_a_run(config, tmp_path, runtime))
    kept = json.loads((state / "remote-passwords.json").read_text())
    assert set(kept) >= {"phone", "viewer"} and "mosquitto" in children
    for secret in (*kept.values(), "other-secret"):
        assert secret not in log
    assert "new password for the page" in log, "of which the log speaks"
    assert b"NOTIFY_SOCKET" not in children["mosquitto"], "it would call itself the daemon"
