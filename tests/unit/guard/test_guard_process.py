"""The guard process alone, with a descriptor or a server at its other end: it unkeys in silence, at
the end of its connection and after the longest over, and never while beats come."""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import signal
import socket
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from moontrim.guard.messages import Arm, encode, encode_arm, receive
from support.moontrim_process import ENVIRONMENT


class Bench:
    """The daemon's end of the connection, and the radio's end of a pipe."""

    def __init__(self) -> None:
        self.socket, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.radio, self.port = os.pipe()
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-m", "moontrim.guard.process", str(theirs.fileno())],
            pass_fds=[theirs.fileno()],
            env=ENVIRONMENT,
        )
        theirs.close()

    def answer(self) -> dict[str, Any]:
        assert select.select([self.socket], [], [], 20.0)[0], "no answer of the guard"
        packet = receive(self.socket)
        assert packet is not None
        return packet[0]

    def arm(self, *, host: str = "", port: int = 0, longest_s: float = 60.0) -> dict[str, Any]:
        confirmed = r"RPRT 0\b" if host else ""
        arm = Arm(1, host, port, "", b"RX;".hex(), confirmed, 0, longest_s)
        socket.send_fds(self.socket, [encode_arm(arm)], [] if host else [self.port])
        return self.answer()

    def fired(self) -> dict[str, Any]:
        """What it says after having unkeyed; answers to beats come before."""
        while (message := self.answer())["what"] == "alive":
            pass
        assert message["what"] == "fired", message
        return message

    def heard(self, within_s: float) -> bool:
        return bool(select.select([self.radio], [], [], within_s)[0])

    def beat(self, for_s: float) -> None:
        until_s = time.monotonic() + for_s
        while time.monotonic() < until_s:
            self.socket.send(encode("beat", over=1))
            time.sleep(0.05)

    def leave(self) -> None:
        """Ends the over and the process."""
        self.socket.send(encode("disarm"))
        self.socket.close()
        self.process.wait(30)

    def close(self) -> None:
        self.socket.close()
        self.process.wait(30)
        os.close(self.radio)
        os.close(self.port)


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench()
    yield made
    made.close()


def test_silence_unkeys_and_beats_do_not(bench: Bench) -> None:
    assert bench.arm()["what"] == "armed"
    bench.beat(1.2)
    assert not bench.heard(0.0)
    assert bench.heard(1.0)
    assert os.read(bench.radio, 3) == b"RX;"
    fired = bench.fired()
    assert "did not run" in fired["why"]
    assert "confirms nothing" in fired["outcome"], "no claim that the radio receives"
    assert not bench.heard(0.5) or os.read(bench.radio, 100) == b"RX;RX;"


def test_silence_lowers_a_line(bench: Bench) -> None:
    """The size of a pseudo-terminal stands for the modem lines, which it does not have."""
    master, line = os.openpty()
    size, raised, lowered = "HHHH", (1, 1, 0, 0), (2, 2, 0, 0)
    fcntl.ioctl(line, termios.TIOCSWINSZ, struct.pack(size, *raised))
    lower = struct.pack(size, *lowered).hex()
    arm = Arm(1, "", 0, "", lower, "", termios.TIOCSWINSZ, 60.0)
    socket.send_fds(bench.socket, [encode_arm(arm)], [line])
    os.close(line)  # as at the end of the daemon, whose descriptor it was
    assert bench.answer()["what"] == "armed"

    def shown() -> tuple[int, ...]:
        return struct.unpack(size, fcntl.ioctl(master, termios.TIOCGWINSZ, bytes(8)))

    bench.beat(0.7)
    assert shown() == raised
    assert "has been released" in bench.fired()["outcome"]
    assert shown() == lowered
    os.close(master)


def test_the_end_of_the_connection_unkeys(bench: Bench) -> None:
    bench.arm()
    bench.socket.close()
    assert bench.heard(0.4)
    assert bench.process.wait(10) == 0


def test_disarmed_nothing_is_sent(bench: Bench) -> None:
    bench.arm()
    bench.socket.send(encode("disarm"))
    assert not bench.heard(0.8)
    bench.socket.close()
    assert bench.process.wait(10) == 0
    assert not bench.heard(0.0)


def test_disarmed_just_before_the_end_nothing_is_sent(bench: Bench) -> None:
    """Though answers to beats are left unread, for which the kernel reports a reset first."""
    bench.arm()
    for _ in range(5):
        bench.socket.send(encode("beat", over=1))
    assert select.select([bench.socket], [], [], 5.0)[0]
    bench.process.send_signal(signal.SIGSTOP)
    bench.socket.send(encode("disarm"))
    bench.socket.close()
    bench.process.send_signal(signal.SIGCONT)
    assert bench.process.wait(10) == 0
    assert not bench.heard(0.0)


def test_the_longest_over_unkeys_in_spite_of_beats(bench: Bench) -> None:
    bench.arm(longest_s=0.2)
    bench.beat(1.6)
    assert bench.heard(0.5)


def test_a_daemon_that_has_lost_the_radio_has_it_unkeyed(bench: Bench) -> None:
    bench.arm()
    bench.socket.send(encode("unkey", over=1, why="moontrim has lost the radio"))
    assert bench.heard(0.4)
    assert bench.fired()["why"] == "moontrim has lost the radio"


def test_each_beat_is_answered(bench: Bench) -> None:
    bench.arm()
    for _ in range(3):
        bench.socket.send(encode("beat", over=1))
        answer = bench.answer()
        assert (answer["what"], answer["over"]) == ("alive", 1)
    bench.socket.send(encode("disarm"))


def test_a_guard_that_was_stopped_itself_takes_the_beats_of_that_time_first(bench: Bench) -> None:
    bench.arm()
    bench.process.send_signal(signal.SIGSTOP)
    bench.beat(1.5)
    bench.process.send_signal(signal.SIGCONT)
    bench.socket.send(encode("disarm"))
    assert not bench.heard(0.8)


def test_an_end_after_it_has_fired_unkeys_once_more(bench: Bench) -> None:
    """The daemon may have keyed again before it ended."""
    bench.arm()
    bench.fired()
    os.read(bench.radio, 100)
    bench.socket.close()
    assert bench.heard(1.0)


class Server:
    """A rig-control daemon that sends `answer` to whatever it is sent, or all the time; what it was
    sent."""

    def __init__(self, answer: bytes, *, always: bool = False) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.listener.settimeout(20.0)
        self.port: int = self.listener.getsockname()[1]
        self.sent = b""
        self.over = threading.Event()
        self._answer = answer
        self._wait_s = 0.005 if always else None
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while not self.over.is_set():
                connection, _ = self.listener.accept()
                with connection:
                    self._speak(connection)

    def _speak(self, connection: socket.socket) -> None:
        while not self.over.is_set():
            if select.select([connection], [], [], self._wait_s)[0]:
                if not (data := connection.recv(4096)):
                    return
                self.sent += data
            connection.sendall(self._answer)

    def __enter__(self) -> Server:
        return self

    def __exit__(self, *error: object) -> None:
        self.over.set()
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", self.port)).close()
        self._thread.join(10.0)
        self.listener.close()


def test_by_a_server_it_ends_with_a_confirmation(bench: Bench) -> None:
    with Server(b"set_ptt: VFOA 0\nRPRT 0\n") as server:
        assert bench.arm(host="127.0.0.1", port=server.port)["what"] == "armed"
        assert bench.fired()["outcome"] == "the radio has been unkeyed"
        assert server.sent == b"RX;"
        bench.leave()


def test_a_server_that_confirms_nothing_is_tried_again_and_no_success_is_claimed(
    bench: Bench,
) -> None:
    with Server(b"set_ptt: VFOA 0\nRPRT -5\n") as server:
        bench.arm(host="127.0.0.1", port=server.port)
        time.sleep(2.0)
        bench.socket.send(encode("beat", over=1))
        assert "NOT unkeyed" in bench.fired()["outcome"]
        assert server.sent.count(b"RX;") >= 2
        bench.leave()


def test_a_server_that_never_stops_talking_does_not_hold_the_guard(bench: Bench) -> None:
    with Server(b"x" * 100, always=True) as server:
        began_s = time.monotonic()
        bench.arm(host="127.0.0.1", port=server.port)
        assert time.monotonic() - began_s < 5.0
        bench.leave()


def test_a_server_that_is_not_there_arms_nothing(bench: Bench) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        assert bench.arm(host="127.0.0.1", port=free.getsockname()[1])["what"] == "unable"


def test_modules_in_the_working_folder_are_not_loaded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """moontrim may be started in a folder that others can write to."""
    for name in ("json", "socket", "moontrim"):
        (tmp_path / f"{name}.py").write_text("raise SystemExit('loaded')")
    monkeypatch.chdir(tmp_path)
    made = Bench()
    try:
        assert made.arm()["what"] == "armed"
    finally:
        made.leave()
        made.close()


def test_it_imports_nothing_heavy() -> None:
    code = (
        "import sys, moontrim.guard.process;"
        "print(sorted({name.partition('.')[0] for name in sys.modules} & "
        "{'numpy', 'pydantic', 'asyncio', 'moontrim_drivers'}))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, env=ENVIRONMENT)
    assert run.stdout.strip() == b"[]", run
