"""`moontrim forbid` against a daemon in a process of its own: without a broker, at every state that
the daemon may be in, and for nobody but its user."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from moontrim.clock.system import Clock, SystemClock
from moontrim.errors import BusyError
from moontrim.remote.commands.commanding import Commanding
from moontrim.remote.commands.forbidding import Forbidding, Outcome
from moontrim.remote.commands.guards import SecondStep
from moontrim.remote.commands.permitting import PermitQuestion, Permitting
from moontrim.remote.wire import controlsocket
from moontrim.remote.wire.controlsocket import (
    NotRunning,
    request_forbid,
    request_permit,
    request_question,
    serve_control,
)
from moontrim.service.install import state_folder_of_service
from moontrim.session.commands import AllowTransmit, Command
from moontrim.state.hub import StateHub
from support.inhibited import Inhibited
from support.moontrim_process import ENVIRONMENT, LEAST_CONFIG, moontrim, until_up
from support.processor import within


def station(folder: Path, remote: str = "enabled = false") -> Path:
    config = folder / "station.toml"
    config.write_text(f'state_dir = "{folder}/state"\n{LEAST_CONFIG}\n[remote]\n{remote}\n')
    return config


def forbid(*options: str) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", "moontrim", "forbid", *options],
        capture_output=True,
        text=True,
        env=ENVIRONMENT,
        timeout=30,
    )
    return done.returncode, done.stdout + done.stderr


def permitted(folder: Path) -> bool:
    saved = json.loads((folder / "state" / "session.json").read_text())
    return bool(saved["session"]["tx_allowed"])


@pytest.mark.parametrize(
    "remote",
    ["enabled = false", 'broker = "127.0.0.1"\nport = 1\nhttp_port = 1'],
    ids=["no phones", "a broker that is not there, a page that cannot listen"],
)
def test_while_the_daemon_runs_without_a_broker(tmp_path: Path, remote: str) -> None:
    config = station(tmp_path, remote)

    async def main() -> None:
        async with moontrim("run", "--config", str(config)):
            await until_up(tmp_path)
            path = tmp_path / "state" / controlsocket.NAME
            assert stat.S_IMODE(path.stat().st_mode) == 0o600
            code, text = await asyncio.to_thread(forbid, "--config", str(config))
            assert (code, "transmit inhibited" in text) == (0, True), text
            async with within(3.0):
                while not (tmp_path / "state" / "session.json").exists() or permitted(tmp_path):
                    await asyncio.sleep(0.02)
            code, text = await asyncio.to_thread(forbid, "--state-dir", str(tmp_path / "state"))
            assert code == 0, text
        assert not path.exists()

    asyncio.run(main())
    code, text = forbid("--config", str(config))
    assert code == 1 and "not running" in text and "moontrim unkey" in text
    assert not permitted(tmp_path)


def test_a_daemon_that_hangs_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stopped, it accepts and never answers."""
    config = station(tmp_path)
    monkeypatch.setattr(controlsocket, "ANSWER_S", 0.5)

    async def main() -> None:
        async with moontrim("run", "--config", str(config)) as process:
            await until_up(tmp_path)
            process.send_signal(signal.SIGSTOP)
            try:
                with pytest.raises(TimeoutError):
                    await asyncio.to_thread(request_forbid, tmp_path / "state")
            finally:
                process.send_signal(signal.SIGCONT)

    asyncio.run(main())


def test_left_over_by_a_killed_daemon(tmp_path: Path) -> None:
    config = station(tmp_path)
    process = subprocess.Popen(
        [sys.executable, "-m", "moontrim", "run", "--config", str(config)],
        env=ENVIRONMENT,
        stderr=subprocess.DEVNULL,
    )
    try:
        asyncio.run(until_up(tmp_path))
    finally:
        process.kill()
        process.wait()
    assert (tmp_path / "state" / controlsocket.NAME).exists()
    assert forbid("--config", str(config))[0] == 1

    async def again() -> None:
        async with moontrim("run", "--config", str(config)), within(20.0):
            while True:
                try:
                    assert (await asyncio.to_thread(request_forbid, tmp_path / "state")).ok
                    return
                except NotRunning:
                    await asyncio.sleep(0.1)

    asyncio.run(again())


def test_usage(tmp_path: Path) -> None:
    assert forbid("--config", str(tmp_path / "none.toml"))[0] == 2
    assert state_folder_of_service(Path("/etc/moontrim/home.toml")) == Path(
        "/var/lib/moontrim/home"
    )
    own = Path.home() / ".config" / "moontrim" / "dish.toml"
    assert state_folder_of_service(own) == Path.home() / ".local" / "state" / "moontrim" / "dish"
    assert state_folder_of_service(Path("/srv/home.toml")) is None


# --- the parts ------------------------------------------------------------------------------------


class FullAtFirst:
    """A daemon whose inbox has no room for a while."""

    def __init__(self, refusals: int) -> None:
        self.hub = StateHub()
        self.refusals = refusals
        self.commands: list[Command] = []

    async def ask(self, command: Command) -> None:
        if self.refusals:
            self.refusals -= 1
            raise BusyError("too many requests at once; try again")
        self.commands.append(command)

    async def unsaved(self, clock: Clock) -> str:
        return "No space left on device"


def test_a_full_inbox_is_tried_again_and_tokens_are_void() -> None:
    daemon = FullAtFirst(refusals=5)
    second_step = SecondStep()
    token = second_step.token("phone", "transmit allowed", 0.0)

    async def main() -> Outcome:
        return await Forbidding(daemon, SystemClock(), second_step).forbid("command line")

    outcome = asyncio.run(main())
    assert outcome.ok and "not saved: No space left on device" in outcome.text
    assert daemon.commands == [AllowTransmit("command line", False)]
    assert not second_step.redeem(token, "phone", "transmit allowed", 1.0)


def test_what_is_no_request_gets_no_further(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also at a path longer than a Unix address takes; another user's process is refused."""
    monkeypatch.setattr(controlsocket, "REQUEST_S", 0.2)
    folder = tmp_path / ("a" * 120) / "state"
    forbidden: list[str] = []
    permittable = Inhibited()

    async def forbid_it(by: str) -> Outcome:
        forbidden.append(by)
        return Outcome(True, "transmit inhibited")

    def send(data: bytes) -> bytes:
        descriptor = os.open(folder, os.O_PATH)
        try:
            with socket.socket(socket.AF_UNIX) as connection:
                connection.settimeout(5.0)
                connection.connect(f"/proc/self/fd/{descriptor}/{controlsocket.NAME}")
                connection.sendall(data)
                return connection.makefile("rb").readline()
        finally:
            os.close(descriptor)

    async def main() -> None:
        permitting = Permitting(permittable, SystemClock(), SecondStep())
        commanding = Commanding(permittable, SystemClock())
        server = asyncio.create_task(serve_control(folder, forbid_it, permitting, commanding))
        async with within(5.0):
            while not (folder / controlsocket.NAME).exists():
                await asyncio.sleep(0.01)
        for data in (
            *(b"", b"permit \n", b"permit 1\n", b"forbid", b"x" * 1000, b"\xff\xfe\n"),
            *(b"{\n", b"{}\n", b'{"a":' * 700 + b"\n", b"{" * 9000 + b"\n"),
            *(b'{"command": "fire"}\n', b'{"command": "transmit", "allowed": true}\n'),
            b'{"command": "trim", "rx_hz": 1500}\n',  # which takes a second step
        ):
            answer = await asyncio.to_thread(send, data)
            assert b'"ok": true' not in answer, data
        assert forbidden == []
        assert (await asyncio.to_thread(request_forbid, folder)).ok
        question = await asyncio.to_thread(request_question, folder)
        assert isinstance(question, PermitQuestion)
        monkeypatch.setattr(controlsocket, "_user_of", lambda connection: os.geteuid() + 1)
        assert not (await asyncio.to_thread(request_forbid, folder)).ok
        for asked in (
            await asyncio.to_thread(request_question, folder),
            await asyncio.to_thread(request_permit, folder, question.token),
        ):
            assert isinstance(asked, Outcome) and not asked.ok and "only the user" in asked.text
        assert forbidden == ["command line"] and permittable.commands == []
        server.cancel()
        await asyncio.gather(server, return_exceptions=True)

    asyncio.run(main())
