"""A service manager (systemd) started and ended by a test, separate from the one that runs the
machine.

`user_manager` is one of a user, in a separate namespace. `machine` is a whole system manager with
its journal, in a container that has nothing of this machine but its /usr, read-only."""

from __future__ import annotations

import os
import secrets
import shutil
import subprocess
import sys
import sysconfig
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from time import monotonic, sleep

import pytest

from support.effort import missing
from support.processor import family_waited_for_processor_s
from support.tree import ROOT

MANAGER = "/lib/systemd/systemd"
CGROUPS = Path("/sys/fs/cgroup")
SOURCE = ROOT


def require(*programs: str) -> None:
    """Skips with the reason where a manager cannot be started. CI installs the programs."""
    for program in (MANAGER, *programs):
        if shutil.which(program) is None:
            missing(program)
    if os.geteuid() != 0:
        pytest.skip("starting a service manager of our own takes root")
    if Path("/run/systemd/system").exists():
        pytest.skip("systemd runs this machine; its control groups are left alone")
    if not any((path / "cgroup.procs").is_file() for path in _hierarchies()):
        pytest.skip("there is no hierarchy of control groups to make one of our own in")


class Manager:
    """A manager of services. environment: for programs that speak to it."""

    def __init__(self, prefix: tuple[str, ...], environment: dict[str, str]) -> None:
        self._prefix = prefix
        self._environment = environment

    def run(self, *command: str, check: bool = True) -> str:
        """Returns the output of a command that is run where the manager is."""
        done = subprocess.run(
            [*self._prefix, *command],
            env={**os.environ, **self._environment},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        if check:
            assert done.returncode == 0, (command, done.stdout, done.stderr)
        return done.stdout

    def systemctl(self, *args: str, check: bool = True) -> str:
        return self.run("systemctl", *self._user(), *args, check=check)

    def show(self, unit: str, name: str) -> str:
        return self.systemctl("show", unit, "--value", "-p", name).strip()

    def until(self, unit: str, within_s: float, **wanted: str) -> float:
        """Waits until these properties of the unit have these values; returns how long it took. The
        limit grows by what the processes waited for a processor."""
        began_s, before_s = monotonic(), family_waited_for_processor_s()
        while True:
            properties = {name: self.show(unit, name) for name in wanted}
            took_s = monotonic() - began_s
            if properties == wanted:
                return took_s
            if took_s > within_s + family_waited_for_processor_s() - before_s:
                print(self.systemctl("status", unit, check=False))
                print(self.run("journalctl", "--no-pager", "-n100", "-u", unit, check=False))
                pytest.fail(f"{unit} is {properties}, not {wanted}, after {within_s} s")
            sleep(0.02)

    def _user(self) -> tuple[str, ...]:
        return ("--user",) if "XDG_RUNTIME_DIR" in self._environment else ()


@contextmanager
def user_manager(folder: Path) -> Iterator[Manager]:
    """Runs one for the units in folder/config/systemd/user."""
    require("unshare", "nsenter", "systemctl")
    # The path of a Unix socket is short.
    with tempfile.TemporaryDirectory(prefix="moontrim-") as runtime, _new_cgroup() as join:
        environment = {
            "XDG_RUNTIME_DIR": runtime,
            "XDG_CONFIG_HOME": str(folder / "config"),
            "HOME": str(folder),
        }
        # It asks whether the machine was booted by its like.
        script = f"""
            {join}
            exec unshare --pid --fork --kill-child --mount-proc sh -c '
                mount -t tmpfs tmpfs /run/systemd && mkdir /run/systemd/system &&
                {MANAGER} --user --unit=basic.target; true'
        """
        process = _started(script, {**environment, "SYSTEMD_LOG_TARGET": "null"}, folder / "log")
        try:
            inside = ("nsenter", "-t", _child_of(process), "-m", "-p", "--")
            manager = Manager(inside, environment)
            _until_up(manager, process, folder / "log")
            yield manager
        finally:
            process.kill()  # and with it all in its namespace; it does not listen to SIGTERM
            process.wait(10)


@contextmanager
def machine(root: Path, log: Path) -> Iterator[Manager]:
    """Runs one. root: its etc/moontrim, etc/systemd/system and etc/credstore are the container's.
    The program is /opt/run/moontrim there, with the code of this tree."""
    require("systemd-nspawn", "nsenter", "setpriv")
    binds = _binds(root)
    with _new_cgroup() as join:
        args = " ".join(
            [
                "systemd-nspawn --directory=/ --volatile=yes --register=no --keep-unit",
                "--private-network --console=pipe --machine=moontrim-test --capability=all",
                "--uuid=0123456789abcdef0123456789abcdef",  # else it enables all services
                *binds,
                "--boot systemd.unit=moontrim-test.target",
                "systemd.mask=systemd-networkd.service systemd.mask=systemd-firstboot.service",
                "systemd.mask=systemd-networkd-wait-online.service",
            ]
        )
        environment = {"SYSTEMD_NSPAWN_UNIFIED_HIERARCHY": "1", "SYSTEMD_SECCOMP": "0"}
        process = _started(f"{join}\nexec {args}", environment, log)
        try:
            leader = _child_of(process)
            inside = ("nsenter", "-t", leader, "-m", "-u", "-i", "-n", "-p", "-C", "--wd=/", "--")
            manager = Manager(inside, {})
            _until_up(manager, process, log)
            yield manager
        finally:
            process.terminate()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _started(script: str, environment: dict[str, str], log: Path) -> subprocess.Popen[bytes]:
    with log.open("w") as output:
        return subprocess.Popen(
            ["/bin/sh", "-ec", script],
            env={**os.environ, **environment},
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
        )


def _binds(root: Path) -> list[str]:
    opt = root / "opt"
    opt.mkdir()
    base, site = Path(sys.base_prefix), sysconfig.get_path("purelib")
    python = base if base.is_relative_to("/usr") else Path("/opt/python")
    script = opt / "moontrim"
    script.write_text(
        f"#!/bin/sh\nexport LD_LIBRARY_PATH={python}/lib "
        "PYTHONPATH=/opt/daemon:/opt/drivers:/opt/site\n"
        f'exec {python}/bin/python3.{sys.version_info[1]} -m moontrim "$@"\n'
    )
    script.chmod(0o755)
    units = root / "etc/systemd/system"
    units.mkdir(parents=True, exist_ok=True)
    (units / "moontrim-test.target").write_text("[Unit]\nRequires=basic.target\n")
    pairs = {
        site: "/opt/site",
        SOURCE / "daemon": "/opt/daemon",
        SOURCE / "drivers": "/opt/drivers",
        opt: "/opt/run",
    }
    if str(python) == "/opt/python":
        pairs[base] = "/opt/python"
    for place in ("etc/moontrim", "etc/credstore", "etc/systemd/system"):
        (root / place).mkdir(parents=True, exist_ok=True)
        pairs[root / place] = f"/{place}"
    return [f"--bind-ro={source}:{target}" for source, target in pairs.items()]


def _hierarchies() -> list[Path]:
    """Returns the hierarchies of control groups: one for all, or systemd's two beside the older
    ones."""
    if (CGROUPS / "cgroup.controllers").is_file():
        return [CGROUPS]
    return [CGROUPS / name for name in ("systemd", "unified") if (CGROUPS / name).is_dir()]


@contextmanager
def _new_cgroup() -> Iterator[str]:
    """Yields the shell commands to enter a new control group. A manager takes over all processes of
    its control group, so it must not start in an existing one."""
    name = f"moontrim-test-{secrets.token_hex(4)}"
    groups = [path / name for path in _hierarchies()]
    try:
        for group in groups:
            group.mkdir()
    except OSError as error:
        pytest.skip(f"no control group of our own: {error}")
    try:
        yield "\n".join(f"echo $$ > {group}/cgroup.procs" for group in groups)
    finally:
        for group in groups:
            _remove(group)


def _remove(group: Path) -> None:
    """Removes a control group; its processes may take a moment to end."""
    deadline_s = monotonic() + 10.0
    while group.exists() and monotonic() < deadline_s:
        for path in (*sorted(group.rglob("*/"), key=lambda path: -len(path.parts)), group):
            with suppress(OSError):
                path.rmdir()
        sleep(0.05)


def _until_up(manager: Manager, process: subprocess.Popen[bytes], log: Path) -> None:
    deadline_s = monotonic() + 60.0
    # Not is-system-running, which asks what runs the machine.
    while "running" not in manager.systemctl("show", "-p", "SystemState", check=False):
        if process.poll() is not None or monotonic() > deadline_s:
            pytest.skip(f"no service manager can be started here: {log.read_text()[-2000:]}")
        sleep(0.1)


def _child_of(process: subprocess.Popen[bytes]) -> str:
    """Returns the first process of its namespace."""
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
    deadline_s = monotonic() + 20.0
    while process.poll() is None and monotonic() < deadline_s:
        for pid in children.read_text().split():
            with suppress(OSError):
                if Path(f"/proc/{pid}/exe").resolve().name in ("systemd", "dash", "sh", "bash"):
                    return pid
        sleep(0.05)
    pytest.skip("no container can be started here")
