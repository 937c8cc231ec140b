"""Ports by identity, what is written into the config for them, and opening one for us alone."""

from __future__ import annotations

import os
import subprocess
import sys
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from moontrim_drivers.contract import RigNotSuitable, RigUnreachable
from moontrim_drivers.serial import ports as serialports
from moontrim_drivers.serial.portchoice import Port, best_name, check_port, choose
from moontrim_drivers.serial.ports import LineSettings, OpenPort
from support.descriptors import open_descriptors
from support.moontrim_process import ENVIRONMENT

ONE = Port("/dev/ttyUSB0", 0x0403, 0x6001, "A5", "adapter", ("/dev/serial/by-id/usb-one-A5",))
SAME = Port("/dev/ttyUSB1", 0x0403, 0x6001, "A6", "adapter")
BARE = Port("/dev/ttyUSB2", 0x10C4, 0xEA60)
TWIN_A = Port("/dev/ttyUSB3", 0x10C4, 0xEA70, "0001", "", ("/dev/serial/by-id/usb-twin-if00",))
TWIN_B = Port("/dev/ttyUSB4", 0x10C4, 0xEA70, "0001", "", ("/dev/serial/by-id/usb-twin-if01",))
PLAIN = Port("/dev/ttyS0")
THERE = (ONE, SAME, BARE, TWIN_A, TWIN_B, PLAIN)


@pytest.mark.parametrize(
    "port, device",
    [
        ("usb:0403:6001:A5", "/dev/ttyUSB0"),
        ("usb:0403:6001:A6", "/dev/ttyUSB1"),
        ("usb:10C4:ea60", "/dev/ttyUSB2"),
        ("/dev/ttyS0", "/dev/ttyS0"),
        ("/dev/serial/by-id/usb-one-A5", "/dev/serial/by-id/usb-one-A5"),
    ],
)
def test_found(port: str, device: str) -> None:
    assert choose(check_port(port), THERE) == device


@pytest.mark.parametrize("port", ["usb:1234:5678", "usb:0403:6001:A7"])
def test_not_there(port: str) -> None:
    with pytest.raises(RigUnreachable) as caught:
        choose(port, THERE)
    assert port in str(caught.value), "what was looked for"
    assert all(one.device in str(caught.value) for one in THERE), "and what is there"
    with pytest.raises(RigUnreachable, match=r"not found \(ports present: none\)"):
        choose(port, ())


@pytest.mark.parametrize("port, matching", [("usb:0403:6001", 2), ("usb:10c4:ea70:0001", 2)])
def test_ambiguous(port: str, matching: int) -> None:
    with pytest.raises(RigUnreachable, match="could be any of") as caught:
        choose(port, THERE)
    assert sum(one.device in str(caught.value) for one in THERE) == matching


@pytest.mark.parametrize(
    "port", ["", "ttyUSB0", "usb:", "usb:403:6001", "usb:0403:6001:", "COM3", "/dev/\0", "USB:0:0"]
)
def test_what_names_no_port(port: str) -> None:
    with pytest.raises(ValueError, match="expected a device path"):
        check_port(port)


@pytest.mark.parametrize("port", THERE)
def test_the_best_name_leads_back_to_the_port(port: Port) -> None:
    name = best_name(port, THERE)
    assert check_port(name) and choose(name, THERE) in (port.device, *port.links)


def test_best_names() -> None:
    assert [best_name(port, THERE) for port in THERE] == [
        "usb:0403:6001:A5",
        "usb:0403:6001:A6",
        "usb:10c4:ea60",
        "/dev/serial/by-id/usb-twin-if00",
        "/dev/serial/by-id/usb-twin-if01",
        "/dev/ttyS0",
    ]


def test_what_is_attached_here_has_a_usable_name() -> None:
    there = serialports.attached()
    for port in there:
        assert choose(check_port(best_name(port, there)), there)


def test_links_are_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Found:
        device, vid, pid, serial_number, description = str(tmp_path / "tty"), 1, 2, "", "x"

    Path(Found.device).touch()
    folder = tmp_path / "by-id"
    folder.mkdir()
    (folder / "usb-x").symlink_to(Found.device)
    monkeypatch.setattr(serialports, "LINK_FOLDERS", (folder, tmp_path / "nowhere"))
    monkeypatch.setattr(serialports.list_ports, "comports", lambda: [Found])
    (port,) = serialports.attached()
    assert (port.links, port.serial_number) == ((str(folder / "usb-x"),), None)


# --- opening ---


@pytest.fixture
def pty() -> Iterator[str]:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    yield os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


OTHER = """
import sys
from moontrim_drivers.serial.ports import LineSettings, OpenPort
try:
    port = OpenPort(sys.argv[1], LineSettings(19200))
except Exception as error:
    print(type(error).__name__, error, flush=True)
else:
    print("open", flush=True)
    input()
"""


def other_process(path: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", OTHER, path],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=ENVIRONMENT,
    )


def test_two_processes_cannot_open_one_port(pty: str) -> None:
    with other_process(pty) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "open\n"
        with pytest.raises(RigUnreachable, match="in use by another program"):
            OpenPort(pty, LineSettings(19200))
        other.kill()  # as with kill -9: the port must be free at once
        other.wait()
    ours = OpenPort(pty, LineSettings(19200))
    with other_process(pty) as other:
        said, _ = other.communicate()
        assert said.startswith("RigUnreachable") and "another program" in said
    ours.close()
    ours.close()
    OpenPort(pty, LineSettings(19200)).close()


def test_programs_without_a_lock_are_kept_out(pty: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the kernel (TIOCEXCL), except on a pseudo-terminal, taken for another device here; what
    it does with programs that are not root is the kernel's."""
    import fcntl
    import struct
    import termios

    TIOCGEXCL = 0x80045440  # include/uapi/asm-generic/ioctls.h

    def exclusive() -> bool:
        fd = os.open(pty, os.O_RDWR | os.O_NOCTTY)
        try:
            return bool(struct.unpack("i", fcntl.ioctl(fd, TIOCGEXCL, b"\0" * 4))[0])
        finally:
            os.close(fd)

    assert hasattr(termios, "TIOCEXCL")
    port = OpenPort(pty, LineSettings(19200))
    assert not exclusive(), "else it would stay so after a kill -9"
    port.close()
    monkeypatch.setattr(serialports, "_PTY_MAJORS", ())
    port = OpenPort(pty, LineSettings(19200))
    assert exclusive() or os.geteuid() != 0
    port.close()
    assert not exclusive()


@pytest.mark.parametrize("asserted", [False, True])
def test_rts_and_dtr_are_as_asked_from_the_first_moment(
    pty: str, asserted: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pseudo-terminal has no such lines: what is watched is what the library is about to set."""
    seen: list[tuple[str, bool]] = []
    for line in ("rts", "dtr"):
        monkeypatch.setattr(
            serial.Serial,
            f"_update_{line}_state",
            lambda self, line=line: seen.append((line, getattr(self, f"_{line}_state"))),
        )
    settings = LineSettings(19200, rts=asserted, dtr=asserted) if asserted else LineSettings(19200)
    OpenPort(pty, settings).close()
    assert seen and all(state is asserted for _, state in seen)


def test_what_cannot_be_opened(pty: str, tmp_path: Path) -> None:
    with pytest.raises(RigUnreachable, match="/dev/no-such-port not found"):
        OpenPort("/dev/no-such-port", LineSettings(19200))
    file = tmp_path / "file"
    file.touch()
    for path in (str(file), str(tmp_path), "/dev/null"):
        with pytest.raises(RigUnreachable, match=path):
            OpenPort(path, LineSettings(19200))
    before = open_descriptors()
    for _ in range(20):
        with pytest.raises(RigUnreachable):
            OpenPort(str(file), LineSettings(19200))
        OpenPort(pty, LineSettings(19200)).close()
    assert open_descriptors() <= before


def test_a_baud_rate_that_is_none(pty: str) -> None:
    with pytest.raises(RigNotSuitable, match="-1 baud"):
        OpenPort(pty, LineSettings(-1))
