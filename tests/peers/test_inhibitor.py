"""Keeping the machine awake while keyed: by the real logind on a bus of its own, by a stand-in for
the tool that records how it is called, and where nothing can."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from moontrim.guard.inhibitor import SleepInhibitor
from support.moontrim_process import ENVIRONMENT

pytestmark = pytest.mark.peers

LOGIND = "/lib/systemd/systemd-logind"
BUS = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-BUS Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>system</type><listen>unix:path={path}</listen><auth>EXTERNAL</auth>
<policy context="default"><allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/>
<allow own="*"/></policy></busconfig>
"""
# logind writes to /run, so it gets one of its own; the bus is elsewhere.
LOGIND_ALONE = f"""mount -t tmpfs tmpfs /run && cd /run && mkdir systemd && cd systemd &&\
 mkdir inhibit seats sessions users && exec {LOGIND}"""
HOLDER = """
import time
from moontrim.guard.inhibitor import SleepInhibitor
inhibitor = SleepInhibitor()
inhibitor.hold()
time.sleep(60)
"""
RECORDER = """#!/bin/sh
echo "$@" >> {folder}/called
shift 4
"$@"
echo over >> {folder}/called
"""


def until(what: Callable[[], object], within_s: float = 20.0) -> None:
    deadline_s = time.monotonic() + within_s
    while not what():
        assert time.monotonic() < deadline_s, "in vain"
        time.sleep(0.05)


@pytest.fixture
def logind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The real one, on a bus of its own."""
    for program in ("dbus-daemon", "systemd-inhibit", "unshare", LOGIND):
        if shutil.which(program) is None:
            if os.environ.get("CI"):
                raise AssertionError(f"{program} is not installed")
            pytest.skip(f"{program} is not installed")
    if os.geteuid() != 0:
        pytest.skip("a logind of our own takes root")
    path = tmp_path / "bus"
    (tmp_path / "bus.conf").write_text(BUS.format(path=path))
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={path}")
    bus = subprocess.Popen(["dbus-daemon", f"--config-file={tmp_path}/bus.conf", "--nofork"])
    try:
        until(path.exists)
        logind = subprocess.Popen(["unshare", "--mount", "sh", "-c", LOGIND_ALONE])
        try:
            until(lambda: inhibitors() is not None)
            yield
        finally:
            logind.terminate()
            logind.wait(10)
    finally:
        bus.terminate()
        bus.wait(10)


def inhibitors() -> str | None:
    """What logind lists; None: it does not answer."""
    command = ["systemd-inhibit", "--list", "--no-legend", "--no-pager"]
    done = subprocess.run(command, capture_output=True, text=True)
    return done.stdout if done.returncode == 0 else None


def held() -> list[str]:
    return [line for line in (inhibitors() or "").splitlines() if line.startswith("moontrim ")]


def test_logind_knows_of_it_from_hold_to_release(logind: None) -> None:
    inhibitor = SleepInhibitor()
    for _ in range(2):
        inhibitor.hold()
        until(held)
        assert len(held()) == 1 and " sleep " in held()[0] and held()[0].endswith(" block")
        assert inhibitor.trouble() == ""
        inhibitor.release()
        until(lambda: not held())
        assert inhibitor.trouble() == ""
    until(inhibitor.reap)


def test_logind_forgets_it_when_the_process_is_killed(logind: None) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER], env={**os.environ, "PYTHONPATH": ENVIRONMENT["PYTHONPATH"]}
    )
    until(held)
    process.send_signal(signal.SIGKILL)
    process.wait(10)
    until(lambda: not held())


def test_without_a_logind_the_reason_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if shutil.which("systemd-inhibit") is None:
        pytest.skip("systemd-inhibit is not installed")
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/none")
    inhibitor = SleepInhibitor()
    inhibitor.hold()
    until(inhibitor.trouble)
    assert inhibitor.trouble().startswith("systemd-inhibit: "), inhibitor.trouble()
    assert "exit code" not in inhibitor.trouble(), "the tool's own words"
    inhibitor.release()
    until(inhibitor.reap)


def test_how_the_tool_is_called_and_for_how_long(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tool, record = tmp_path / "systemd-inhibit", tmp_path / "called"
    tool.write_text(RECORDER.format(folder=tmp_path))
    tool.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
    inhibitor = SleepInhibitor()
    inhibitor.hold()
    inhibitor.hold()
    until(record.exists)
    time.sleep(0.3)
    asked = "--what=sleep --mode=block --who=moontrim --why=the radio is keyed cat\n"
    assert record.read_text() == asked, "once, and it lasts"
    inhibitor.release()
    until(lambda: record.read_text() == f"{asked}over\n")
    assert inhibitor.trouble() == ""
    until(inhibitor.reap)


def test_without_the_tool_nothing_is_held(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    inhibitor = SleepInhibitor()
    inhibitor.hold()
    assert inhibitor.trouble() == "systemd-inhibit is not installed"
    inhibitor.release()
