"""`moontrim simulate` and `moontrim ports` as their user meets them."""

from __future__ import annotations

import asyncio
import json
import re
from pathlib import Path
from typing import Any

import pytest

from moontrim.cli.main import main
from moontrim.clock.system import SystemClock
from moontrim_drivers.contract import RigClosed, RigRefused, RigState, RigUnreachable
from moontrim_drivers.rigctld.driver import SocketDriver
from moontrim_drivers.serial import ports as serialports
from moontrim_drivers.serial.portchoice import Port
from support.moontrim_process import moontrim, next_line
from support.serial_bench import BUSES, driver_for

RX_HZ, TX_HZ = 144_123_457, 144_119_876


@pytest.mark.parametrize("bus", BUSES)
def test_a_radio_on_a_pseudo_terminal(bus: str, tmp_path: Path) -> None:
    link = tmp_path / "radio"

    async def scene() -> None:
        async with moontrim("simulate", "--bus", bus, "--link", str(link), "--watch") as process:
            path = ""
            first: dict[str, Any] = {}
            while not path or not first:
                line = await next_line(process)
                if line.startswith("{"):
                    first = json.loads(line)
                else:
                    path = line
            assert str(link.readlink()) == path
            assert (first["rx_dial_hz"], first["transmitting"]) == (144_100_000, False)
            driver = driver_for(bus, str(link))
            await driver.open()
            assert await driver.set_dials(RX_HZ, TX_HZ) == RigState(RX_HZ, TX_HZ, False)
            await driver.close()
            seen = {}
            while (seen.get("rx_dial_hz"), seen.get("tx_dial_hz")) != (RX_HZ, TX_HZ):
                seen = json.loads(await next_line(process))
            assert seen["utc_s"] == pytest.approx(SystemClock().utc_s(), abs=10)
        assert not link.is_symlink()

    asyncio.run(scene())


def test_a_radio_on_a_socket() -> None:
    async def scene() -> None:
        async with moontrim("simulate", "--bus", "socket", "--quirk", "drop_every=40") as process:
            host, port = (await next_line(process)).split(":")
            driver = SocketDriver(SocketDriver.Options(host=host, port=int(port)), SystemClock())
            await driver.open()
            with pytest.raises(RigClosed):
                for _ in range(40):
                    await driver.set_dials(RX_HZ, TX_HZ)
            await driver.open()
            assert await driver.read() == RigState(RX_HZ, TX_HZ, False)
            await driver.close()

    asyncio.run(scene())


def test_habits(tmp_path: Path) -> None:
    """Unplugged in every 40th command for a moment, refusing every 2nd setting."""
    link = tmp_path / "radio"
    habits = ("drop_every=40", "unreachable_s=0.2", "refuse_every=2", "latency_s=0.0")

    async def scene() -> None:
        arguments = [word for habit in habits for word in ("--quirk", habit)]
        async with moontrim(
            "simulate", "--bus", "asciicat", "--baud", "0", "--link", str(link), *arguments
        ) as process:
            first = await next_line(process)
            driver = driver_for("asciicat", str(link))
            await driver.open()
            with pytest.raises((RigClosed, RigRefused)):
                for _ in range(40):
                    await driver.set_dials(RX_HZ, None)
            with pytest.raises(RigClosed):
                while True:
                    await driver.read()
            with pytest.raises(RigUnreachable):
                await driver.open()
            second = await next_line(process)
            assert first.startswith("/dev/") and second.startswith("/dev/")
            await driver.open()
            await driver.close()

    asyncio.run(scene())


@pytest.mark.parametrize(
    "arguments, says",
    [
        (["--baud", "12"], "--baud: invalid value 12; expected 0, or 300"),
        (["--port", "70000"], "--port: invalid value 70000"),
        (["--port", "4532"], "--port: valid only with --bus socket"),
        (["--address", "0xE0"], "--address: invalid value '0xE0'; expected 0x01 to 0xDF"),
        (["--address", "x"], "--address: invalid value 'x'"),
        (["--other-receiver", "-5"], "--other-receiver: invalid value -5"),
        (["--quirk", "latency"], "--quirk: invalid value 'latency'; expected KEY=VALUE"),
        (["--quirk", "nothing=1"], "latency_s"),
        (["--quirk", "latency_s=-1"], "--quirk: latency_s: invalid value -1; expected at least 0"),
        (
            ["--quirk", "split=maybe"],
            "--quirk: split: invalid value 'maybe'; expected a value as in",
        ),
        (["--link", "/no/such/folder/radio"], "--link: invalid value '/no/such/folder/radio'"),
        (["--link", "/dev/null"], "--link: invalid value '/dev/null'"),
    ],
)
def test_one_line_for_each_mistake(
    capsys: pytest.CaptureFixture[str], arguments: list[str], says: str
) -> None:
    assert main(["simulate", "--bus", "civ", *arguments]) == 2
    err = capsys.readouterr().err
    assert err.startswith("moontrim: ") and err.count("\n") == 1 and says in err


def test_no_link_to_a_socket(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["simulate", "--bus", "socket", "--link", "radio"]) == 2
    assert "--link: not valid with --bus socket" in capsys.readouterr().err


def test_a_port_that_is_taken(capsys: pytest.CaptureFixture[str]) -> None:
    async def scene() -> None:
        async with await asyncio.start_server(lambda r, w: None, "127.0.0.1", 0) as server:
            port = server.sockets[0].getsockname()[1]
            arguments = ["simulate", "--bus", "socket", "--port", str(port)]
            assert await asyncio.to_thread(_run, arguments) == 2

    def _run(arguments: list[str]) -> int:
        import subprocess
        import sys

        from support.moontrim_process import ENVIRONMENT

        done = subprocess.run(
            [sys.executable, "-m", "moontrim", *arguments],
            env=ENVIRONMENT, capture_output=True, text=True, timeout=30,
        )  # fmt: skip
        assert re.fullmatch(r"moontrim: --port: cannot use \d+ \(.*\)\n", done.stderr), done.stderr
        return done.returncode

    asyncio.run(scene())


THERE = (
    Port("/dev/ttyUSB0", 0x0403, 0x6001, 'A"5', "adapter"),
    Port("/dev/ttyUSB1", 0x10C4, 0xEA60, None, "", ("/dev/serial/by-id/usb-x",)),
    Port("/dev/ttyS0"),
)


def test_ports(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """What is printed for the config is TOML, and names that very port."""
    import tomllib

    from moontrim_drivers.serial.portchoice import choose

    monkeypatch.setattr(serialports, "attached", lambda: THERE)
    assert main(["ports"]) == 0
    lines = capsys.readouterr().out.splitlines()
    pasted = [tomllib.loads(line)["port"] for line in lines if line.startswith("  port")]
    assert [choose(port, THERE) for port in pasted] == [port.device for port in THERE]
    assert main(["ports", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [one["port"] for one in found] == pasted
    assert found[0]["vendor_id"] == 0x0403 and found[1]["links"] == ["/dev/serial/by-id/usb-x"]


def test_no_ports(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serialports, "attached", lambda: ())
    assert main(["ports"]) == 0
    assert capsys.readouterr().out == "no serial port is there\n"
    assert main(["ports", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == []
