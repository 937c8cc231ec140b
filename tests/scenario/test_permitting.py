"""`moontrim permit` against a daemon in a process of its own, without a broker: what it shows, how
it asks, and what makes its second step void."""

from __future__ import annotations

import asyncio
import json
import os
import pty
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from moontrim.clock.virtual import VirtualClock
from moontrim.remote.commands.forbidding import Forbidding, Outcome
from moontrim.remote.commands.guards import SecondStep
from moontrim.remote.commands.permitting import TOKEN_S, PermitQuestion, Permitting
from moontrim.remote.wire import controlsocket
from moontrim.remote.wire.controlsocket import request_forbid
from moontrim.session.commands import AllowTransmit, NudgeSked
from support.effort import cases
from support.inhibited import Inhibited
from support.journals import T0
from support.moontrim_process import ENVIRONMENT, LEAST_CONFIG, moontrim, until_up

BY = "command line"
# A broker that is not there, in clear text: nothing but forbidding is taken from it.
OTHER_BROKER = 'broker = "127.0.0.1"\nport = 1\nhttp_port = 1'


def station(folder: Path, remote: str) -> Path:
    config = folder / "station.toml"
    config.write_text(f'state_dir = "{folder}/state"\n{LEAST_CONFIG}\n[remote]\n{remote}\n')
    return config


def run(command: str, config: Path, *options: str) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", "moontrim", command, "--config", str(config), *options],
        capture_output=True,
        stdin=subprocess.DEVNULL,
        text=True,
        env=ENVIRONMENT,
        timeout=30,
    )
    return done.returncode, done.stdout + done.stderr


def at_a_terminal(config: Path, typed: str) -> tuple[int, str]:
    """Runs `moontrim permit` on a pseudo-terminal, and types a line when it asks."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "moontrim", "permit", "--config", str(config)],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        env=ENVIRONMENT,
        start_new_session=True,
    )
    os.close(theirs)
    shown = b""
    try:
        while chunk := os.read(ours, 4096):
            shown += chunk
            if typed and b"to cancel: " in shown:
                os.write(ours, typed.encode() + b"\n")
                typed = ""
    except OSError:  # EIO: the other end is closed
        pass
    finally:
        os.close(ours)
    return process.wait(30), shown.decode()


def permitted(folder: Path) -> bool:
    saved = json.loads((folder / "state" / "session.json").read_text())
    return bool(saved["session"]["tx_allowed"])


def transmit_line(config: Path) -> str:
    """Returns what `moontrim check` says of the next start."""
    _, text = run("check", config, "--hands-off", "--json")
    (line,) = [line for line in json.loads(text) if line["what"] == "permission"]
    return f"{line['level']}: {line['text']}"


@pytest.mark.parametrize("remote", cases("enabled = false", OTHER_BROKER))
def test_forbidden_or_killed_it_is_permitted_again(tmp_path: Path, remote: str) -> None:
    config = station(tmp_path, remote)
    code, text = run("permit", config)
    assert code == 1 and "moontrim not running" in text and "transmit not allowed" in text
    assert transmit_line(config) == "ok: transmit allowed at the next start, the first one"

    async def forbidden_and_permitted() -> None:
        async with moontrim("run", "--config", str(config)):
            await until_up(tmp_path)
            assert (await asyncio.to_thread(request_forbid, tmp_path / "state")).ok
            line = await asyncio.to_thread(transmit_line, config)
            assert line.startswith("note: transmit inhibited (") and "moontrim permit" in line
            code, text = await asyncio.to_thread(run, "permit", config)
            assert code == 2 and "--nobody-is-near" in text, text
            for shown in ("1296 MHz", "1 296 100 000 Hz", "power", "nobody is near the antenna"):
                assert shown in text
            assert not permitted(tmp_path)
            code, text = await asyncio.to_thread(run, "permit", config, "--nobody-is-near")
            assert code == 0 and text.endswith("transmit allowed\n"), text
            assert permitted(tmp_path), "on disk before it is acknowledged"
            code, text = await asyncio.to_thread(run, "permit", config)
            assert (code, text) == (0, "transmit is allowed already\n")

    asyncio.run(forbidden_and_permitted())
    assert transmit_line(config).startswith("ok: transmit allowed at the next start (")

    async def killed() -> None:
        process = subprocess.Popen(
            [sys.executable, "-m", "moontrim", "run", "--config", str(config)],
            env=ENVIRONMENT,
            stderr=subprocess.DEVNULL,
        )
        try:
            await until_up(tmp_path)
        finally:
            process.send_signal(signal.SIGKILL)
            process.wait()

    asyncio.run(killed())
    assert permitted(tmp_path)
    line = transmit_line(config)
    assert (
        line.startswith("note: transmit inhibited at the next start")
        and "not ended in order" in line
    )
    assert "moontrim permit" in line
    (tmp_path / "state" / controlsocket.NAME).unlink()

    async def started_again() -> None:
        async with moontrim("run", "--config", str(config)):
            await until_up(tmp_path)
            code, text = await asyncio.to_thread(run, "permit", config)
            assert code == 2 and "not ended in order" in text, text
            code, text = await asyncio.to_thread(run, "permit", config, "--nobody-is-near")
            assert code == 0, text

    asyncio.run(started_again())
    assert transmit_line(config).startswith("ok: transmit allowed at the next start (")


def test_at_a_terminal_a_word_is_typed(tmp_path: Path) -> None:
    config = station(tmp_path, "enabled = false")

    async def main() -> None:
        async with moontrim("run", "--config", str(config)):
            await until_up(tmp_path)
            assert (await asyncio.to_thread(request_forbid, tmp_path / "state")).ok
            for typed in ("yes", "\x04"):  # a wrong word; Ctrl-D
                code, text = await asyncio.to_thread(at_a_terminal, config, typed)
                assert code == 1 and "transmit stays inhibited" in text, text
                assert not permitted(tmp_path)
            code, text = await asyncio.to_thread(at_a_terminal, config, "permit")
            assert code == 0 and "transmit allowed" in text, text
            assert permitted(tmp_path)

    asyncio.run(main())


# --- the parts ------------------------------------------------------------------------------------


class Desk:
    """Both ways of one daemon, on a clock that stands still unless told otherwise."""

    def __init__(self) -> None:
        self.clock = VirtualClock(T0)
        self.daemon = Inhibited()
        second_step = SecondStep()
        self.permitting = Permitting(self.daemon, self.clock, second_step)
        self.forbidding = Forbidding(self.daemon, self.clock, second_step)

    def token(self) -> str:
        question = self.permitting.question(BY)
        assert isinstance(question, PermitQuestion)
        return question.token


def test_the_second_step_is_void_after_any_change() -> None:
    async def main(desk: Desk) -> None:
        async def refused(token: str) -> None:
            outcome = await desk.permitting.permit(BY, token)
            assert not outcome.ok and "run moontrim permit again" in outcome.text
            assert not any(command.on for command in permits())

        def permits() -> list[AllowTransmit]:
            return [one for one in desk.daemon.commands if isinstance(one, AllowTransmit)]

        await refused("")
        await refused("0123456789abcdef")
        token = desk.token()
        await desk.daemon.ask(NudgeSked("share", 10.0))
        await refused(token)
        await desk.daemon.ask(NudgeSked("share", -10.0))
        await refused(token)
        token = desk.token()
        assert (await desk.forbidding.forbid("phone")).ok
        await refused(token)
        token = desk.token()
        await desk.clock.sleep(TOKEN_S)
        await refused(token)
        token = desk.token()
        assert not (await desk.permitting.permit("somebody else", token)).ok
        token = desk.token()
        await desk.clock.sleep(TOKEN_S - 1.0)
        outcome = await desk.permitting.permit(BY, token)
        assert outcome == Outcome(True, "transmit allowed")
        assert permits()[-1] == AllowTransmit(BY, True, "10 GHz")
        await desk.forbidding.forbid("phone")
        await refused_again(desk, token)

    async def refused_again(desk: Desk, token: str) -> None:
        assert not (await desk.permitting.permit(BY, token)).ok, "a token is good for once"
        assert not desk.daemon.session.tx_allowed

    desk = Desk()
    desk.clock.run(main(desk))


def test_what_the_tracker_or_the_disk_refuses_is_reported() -> None:
    async def main(desk: Desk) -> None:
        desk.daemon.refusal = "transmit stays inhibited: state folder not writable"
        outcome = await desk.permitting.permit(BY, desk.token())
        assert not outcome.ok and desk.daemon.refusal in outcome.text
        desk.daemon.refusal, desk.daemon.disk_problem = "", "No space left on device"
        outcome = await desk.permitting.permit(BY, desk.token())
        assert outcome.ok and "not saved: No space left on device" in outcome.text
        assert desk.permitting.question(BY) == Outcome(True, "transmit is allowed already")

    desk = Desk()
    desk.clock.run(main(desk))


def test_forbidden_while_the_permission_is_saved() -> None:
    async def main(desk: Desk) -> None:
        desk.daemon.forbids_meanwhile = True
        outcome = await desk.permitting.permit(BY, desk.token())
        assert not outcome.ok and "inhibited again meanwhile" in outcome.text

    desk = Desk()
    desk.clock.run(main(desk))


def test_nothing_is_asked_before_the_state_is_known() -> None:
    """Nor while the snapshot is still that of another band."""

    async def main(desk: Desk) -> None:
        shown = desk.daemon.hub.latest
        assert shown is not None
        for latest in (None, shown._replace(band="another")):
            desk.daemon.hub.latest = latest
            answer = desk.permitting.question(BY)
            assert isinstance(answer, Outcome) and not answer.ok

    desk = Desk()
    desk.clock.run(main(desk))
