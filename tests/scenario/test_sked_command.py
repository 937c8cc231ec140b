"""`moontrim sked`, on a daemon in a process of its own and without one."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from moontrim.cli.main import main
from moontrim.clock.system import SystemClock
from moontrim.remote.commands.commanding import Commanding
from moontrim.remote.commands.forbidding import Outcome
from moontrim.session.skeds import ChooseSked
from support.inhibited import Inhibited
from support.moontrim_process import ENVIRONMENT, LEAST_CONFIG, moontrim, until_up

SKEDS = """
[[partners]]
name = "North"
locator = "KP20NF"
[[skeds]]
name = "north"
band = "1296 MHz"
sked_hz = 1296_070_000
partner = "north"
agreement = "receiver"
"""
ADD = ("add", "made", "--band", "1296 MHz", "--frequency", "1296080000", "--note", "they begin")


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "station.toml"
    path.write_text(
        f'state_dir = "{tmp_path}/state"\n{LEAST_CONFIG}{SKEDS}[remote]\nenabled = false\n'
    )
    return path


def sked(config: Path, *arguments: str) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", "moontrim", "sked", *arguments, "--config", str(config)],
        capture_output=True,
        text=True,
        env=ENVIRONMENT,
        timeout=30,
    )
    return done.returncode, done.stdout + done.stderr


def listed(config: Path) -> list[dict[str, Any]]:
    code, text = sked(config, "list", "--json")
    assert code == 0, text
    return list(json.loads(text))


def saved(folder: Path) -> dict[str, Any]:
    return dict(json.loads((folder / "state" / "session.json").read_text())["session"])


def test_on_a_running_daemon(tmp_path: Path, config: Path) -> None:
    async def running() -> None:
        async with moontrim("run", "--config", str(config)):
            await until_up(tmp_path)
            code, text = await asyncio.to_thread(sked, config, "choose", "NORTH")
            assert (code, text) == (0, "sked NORTH: done\n")
            assert saved(tmp_path)["sked"] == "north", "on disk before it is acknowledged"
            code, text = await asyncio.to_thread(sked, config, *ADD)
            assert (code, text) == (0, "save sked made: done\n")
            (north, made) = await asyncio.to_thread(listed, config)
            assert north["chosen"] and not north["made"] and not made["chosen"] and made["made"]
            code, text = await asyncio.to_thread(sked, config, "choose", "south")
            assert code == 1 and "invalid value 'south'; expected north, made" in text
            code, text = await asyncio.to_thread(sked, config, "remove", "north")
            assert code == 1 and "invalid value 'north'; expected made" in text
            code, text = await asyncio.to_thread(sked, config, "remove", "Made")
            assert (code, text) == (0, "remove sked Made: done\n")
            assert saved(tmp_path)["skeds"] == []

    asyncio.run(running())
    (north,) = listed(config)
    assert north["chosen"], "after the daemon has stopped"


def test_what_is_acknowledged_outlives_a_kill(tmp_path: Path, config: Path) -> None:
    """And permits nothing at the next start."""

    async def killed() -> None:
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "moontrim", "run", "--quiet", "--config", str(config)),
            stderr=subprocess.DEVNULL,
            env=ENVIRONMENT,
        )
        try:
            await until_up(tmp_path)
            for arguments in (ADD, ("choose", "made")):
                assert (await asyncio.to_thread(sked, config, *arguments))[0] == 0
        finally:
            process.kill()
            await process.wait()

    asyncio.run(killed())
    _, made = listed(config)
    assert made["chosen"] and made["note"] == "they begin"

    async def again() -> None:
        async with moontrim("run", "--config", str(config)):
            await until_up(tmp_path)
            assert (await asyncio.to_thread(sked, config, "choose", "north"))[0] == 0

    asyncio.run(again())
    assert saved(tmp_path)["sked"] == "north" and len(saved(tmp_path)["skeds"]) == 1
    assert not saved(tmp_path)["tx_allowed"]


def test_without_a_daemon(tmp_path: Path, config: Path) -> None:
    code, text = sked(config, *ADD, "--partner", "NORTH", "--over", "30", "--agreement", "home")
    assert code == 0 and text == f"save sked made: done, in {tmp_path / 'state'}\n"
    _, made = listed(config)
    assert made == {
        "name": "made", "band": "1296 MHz", "sked_hz": 1296_080_000, "tx_sked_hz": None,
        "partner": "North", "agreement": "home", "over_s": 30.0, "note": "they begin",
        "made": True, "problem": "", "chosen": False,
    }  # fmt: skip
    code, text = sked(config, "choose", "made")
    assert code == 1 and "moontrim not running" in text and "nothing chosen" in text
    code, text = sked(config, "list")
    assert code == 0
    assert "  north  1296 MHz, 1 296 070 000 Hz; north; receiver; of the config\n" in text
    assert "  made   1296 MHz, 1 296 080 000 Hz; North; home; they begin\n" in text
    code, text = sked(config, "remove", "made")
    assert code == 0 and len(listed(config)) == 1


def test_what_cannot_be_chosen_says_why(config: Path) -> None:
    assert sked(config, *ADD)[0] == 0
    config.write_text(config.read_text().replace("1296 MHz", "23 cm"))
    code, text = sked(config, "list")
    assert code == 0 and "saved choices invalid: band: invalid value '1296 MHz'" in text
    assert "cannot be chosen: band: invalid value '1296 MHz'; expected 23 cm" in text


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (("choose",), "NAME: missing"),
        (("list", "north"), "NAME: not valid with list; got 'north'"),
        (("choose", "a", "--band", "b"), "--band: valid only with add"),
        (("remove", "a", "--json"), "--json: valid only with list"),
        (("add", "a", "--band", "1296 MHz"), "--frequency: missing; needed with add"),
        ((*ADD, "--over", "0"), "--over: invalid value '0'; expected a number from 1 to 600"),
        ((*ADD, "--tx-frequency", "x"), "--tx-frequency: invalid value 'x'; expected hertz from"),
        ((*ADD, "--agreement", "x"), "sked: agreement: invalid value 'x'; expected one of halves"),
        ((*ADD, "--partner", "south"), "partner: invalid value 'south'; expected self, North, or"),
        (("add", "north", *ADD[2:]), "name: invalid value 'north'; expected a name that is not in"),
        (("remove", "north"), "sked: invalid value 'north'; expected a sked that is not in the"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_a_mistake_is_one_line(
    config: Path, arguments: tuple[str, ...], problem: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["sked", *arguments, "--config", str(config)]) == 2
    error = capsys.readouterr().err
    assert error.startswith(f"moontrim: {problem}") and error.count("\n") == 1, error


# --- what the socket takes ---


def command(daemon: Inhibited, line: str) -> Outcome:
    commanding = Commanding(daemon, SystemClock())
    return asyncio.run(commanding.command("command line", line))


SAVE = {"command": "save_sked", "name": "a", "band": "10 GHz", "sked_hz": 10_368_120_000}


def test_commands_are_those_of_phones() -> None:
    daemon = Inhibited()
    assert command(daemon, json.dumps(SAVE)) == Outcome(True, "save sked a: done")
    assert command(daemon, '{"command": "sked", "sked": "A"}').ok
    assert daemon.commands[1] == ChooseSked("command line", "A") and daemon.session.sked == "a"
    daemon.disk_problem = "No space left on device"
    outcome = command(daemon, '{"command": "trim", "rx_hz": 5}')
    assert outcome.ok and outcome.text.endswith("done; not saved: No space left on device")
    daemon.refusal = "transmitting: unkey first"
    assert command(daemon, '{"command": "undo"}') == Outcome(False, "transmitting: unkey first")


@pytest.mark.parametrize(
    ("line", "text"),
    [
        ("{", "invalid JSON"),
        ("{}", "unknown command; expected band, frequency"),
        ('{"command": 5}', "unknown command"),
        ('{"command": "sked"}', "sked: missing; expected the name of a sked"),
        (
            '{"command": "sked", "sked": "b"}',
            "sked: invalid value 'b'; expected the name of a sked",
        ),
        ('{"command": "undo", "x": 1}', "undo: unknown field"),
        ('{"command": "transmit", "allowed": true}', "use moontrim permit or moontrim forbid"),
        ('{"command": "transmit", "allowed": false}', "use moontrim permit or moontrim forbid"),
        ('{"command": "trim", "rx_hz": 1500}', "trim above 1 000 Hz: possible only on the phone"),
        ('{"command": "sked", "sked": "' + "x" * 5000 + '"}', "payload too large"),
    ],
    ids=lambda text: text[:40],
)
def test_what_is_refused_changes_nothing(line: str, text: str) -> None:
    daemon = Inhibited()
    before = daemon.session
    outcome = command(daemon, line)
    assert not outcome.ok and text in outcome.text, outcome.text
    assert daemon.session == before
