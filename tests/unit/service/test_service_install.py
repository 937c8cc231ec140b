"""`moontrim install-service`: what it would do, does below another root, and refuses."""

from __future__ import annotations

import argparse
import configparser
import os
import re
from pathlib import Path

import pytest

from moontrim.cli import installservice
from moontrim.errors import InputError
from moontrim.service.install import PROGRAM, refuse_hidden, shipped
from support.moontrim_process import LEAST_CONFIG

GPIO = """
[keying]
enabled = true
[[keying.outputs]]
kind = "gpio"
name = "relay"
chip = "/dev/gpiochip0"
line = 17
settle_ms = 20
[[keying.outputs]]
kind = "radio"
release_ms = 30
"""
PLACES = {
    "etc/systemd/system/moontrim@.service",
    "etc/systemd/system/moontrim@north.service.d/local.conf",
    "etc/udev/rules.d/70-moontrim.rules",
    "etc/moontrim/north.toml",
}


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "north.toml"
    path.write_text(LEAST_CONFIG)
    return path


def install(*arguments: str | Path) -> int:
    parser = argparse.ArgumentParser()
    installservice.add(parser.add_subparsers())
    options = parser.parse_args(["install-service", *map(str, arguments)])
    return int(options.call(options))


def files(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}


def test_below_another_root(tmp_path: Path, config: Path) -> None:
    root = tmp_path / "image"
    assert (
        install("--config", config, "--root", root, "--program", "/opt/moontrim/bin/moontrim") == 0
    )
    assert files(root) == PLACES
    assert (root / "etc/moontrim/north.toml").read_text() == LEAST_CONFIG
    assert all((root / place).stat().st_mode & 0o777 == 0o644 for place in PLACES)
    unit = (root / "etc/systemd/system/moontrim@.service").read_text()
    assert "\nExecStart=/opt/moontrim/bin/moontrim run --config /etc/moontrim/%i.toml\n" in unit
    assert "\nExecStopPost=-/opt/moontrim/bin/moontrim unkey --config" in unit
    assert PROGRAM not in unit


def test_dry_run_shows_everything_and_does_nothing(
    tmp_path: Path, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root = tmp_path / "image"
    assert install("south", "--config", config, "--root", root, "--dry-run") == 0
    out = capsys.readouterr().out
    assert not root.exists()
    for place in PLACES:
        assert f"--- {root}/{place.replace('north', 'south')}  mode 0644  (" in out
    for text in (LEAST_CONFIG, "WatchdogSec=10s", "SYMLINK+=", "systemctl daemon-reload"):
        assert text in out
    assert "systemctl enable moontrim@south.service" in out


def test_again_changes_nothing_and_differences_need_force(
    tmp_path: Path, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ("--config", config, "--root", tmp_path / "image", "--program", "/opt/moontrim")
    assert install(*arguments) == 0
    placed = tmp_path / "image/etc/moontrim/north.toml"
    local = tmp_path / "image/etc/systemd/system/moontrim@north.service.d/local.conf"
    before = placed.stat().st_mtime_ns
    assert install(*arguments) == 0
    assert placed.stat().st_mtime_ns == before

    local.write_text("[Service]\nMemoryMax=1G\n")
    config.write_text("troposphere = false\n" + LEAST_CONFIG)
    capsys.readouterr()
    with pytest.raises(InputError, match=r"north\.toml"):
        install(*arguments)
    assert "+troposphere = false" in capsys.readouterr().err
    assert placed.read_text() == LEAST_CONFIG
    assert install(*arguments, "--force") == 0
    assert placed.read_text().startswith("troposphere")
    assert local.read_text() == "[Service]\nMemoryMax=1G\n", "the operator's own"


def test_a_second_radio_shares_the_unit(tmp_path: Path, config: Path) -> None:
    root = tmp_path / "image"
    for name in ("north", "south"):
        assert install(name, "--config", config, "--root", root, "--program", "/opt/moontrim") == 0
    assert {"etc/moontrim/north.toml", "etc/moontrim/south.toml"} <= files(root)


def test_gpio_lines_need_their_group(
    tmp_path: Path, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config.write_text(LEAST_CONFIG + GPIO)
    root = tmp_path / "image"
    assert install("--config", config, "--root", root, "--program", "/opt/moontrim") == 0
    drop_in = "etc/systemd/system/moontrim@north.service.d/gpio.conf"
    assert files(root) == PLACES | {drop_in}
    assert "\nSupplementaryGroups=gpio\n" in (root / drop_in).read_text()
    assert "groupadd --force --system gpio" in capsys.readouterr().out


def test_users_of_the_share_can_be_told_apart(tmp_path: Path, config: Path) -> None:
    config.write_text(LEAST_CONFIG + '[share]\nusers = ["daemon"]\n')
    root = tmp_path / "image"
    assert install("--config", config, "--root", root, "--program", "/opt/moontrim") == 0
    drop_in = "etc/systemd/system/moontrim@north.service.d/users.conf"
    assert files(root) == PLACES | {drop_in}
    assert "\nPrivateUsers=no\n" in (root / drop_in).read_text()


def test_for_one_user(tmp_path: Path, config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "conf"))
    assert install("--config", config, "--user", "--program", "/home/me/.local/bin/moontrim") == 0
    assert files(tmp_path / "conf") == {"systemd/user/moontrim@.service", "moontrim/north.toml"}
    unit = (tmp_path / "conf/systemd/user/moontrim@.service").read_text()
    assert "\nExecStart=/home/me/.local/bin/moontrim run --config %E/moontrim/%i.toml\n" in unit


@pytest.mark.parametrize(
    ("lines", "remark"),
    [
        ('state_dir = "/srv/x"', "may not write"),
        ('[remote]\nbroker = "b"\nuser = "u"', "/etc/credstore/moontrim-north.mqtt_password"),
        ('[data]\nephemeris_file = "de.bsp"', "data.ephemeris_file"),
    ],
)
def test_what_the_operator_should_know(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], lines: str, remark: str
) -> None:
    top = lines.startswith("state_dir")
    config.write_text(f"{lines}\n{LEAST_CONFIG}" if top else f"{LEAST_CONFIG}{lines}\n")
    install("--config", config, "--root", tmp_path / "image", "--dry-run")
    assert remark in capsys.readouterr().out


# --- what is refused ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["", "a b", "../x", "a%i", "-x", "x" * 33, "a@b", "é"])
def test_names(tmp_path: Path, config: Path, name: str) -> None:
    with pytest.raises(InputError, match="NAME"):
        install("--config", config, "--root", tmp_path / "image", "--program=/m", "--", name or " ")


@pytest.mark.parametrize(
    "program", ["moontrim", "/opt/my moontrim", "/opt/%h/m", "/opt/m\nX=1", "/$x"]
)
def test_programs(tmp_path: Path, config: Path, program: str) -> None:
    with pytest.raises(InputError, match="--program"):
        install("--config", config, "--root", tmp_path / "image", "--program", program)


def test_a_config_that_cannot_be_used_is_not_installed(tmp_path: Path, config: Path) -> None:
    config.write_text(LEAST_CONFIG + "colour = 1\n")
    with pytest.raises(InputError, match="colour"):
        install("--config", config, "--root", tmp_path / "image")
    assert not (tmp_path / "image").exists()


def test_without_root(config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.geteuid", lambda: 1000)
    with pytest.raises(InputError, match=r"sudo, or --dry-run, or --user"):
        install("--config", config, "--program", "/opt/moontrim")


def test_nothing_runs_below_another_root(config: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="--enable"):
        install("--config", config, "--root", tmp_path, "--enable")


@pytest.mark.parametrize("place", ["/home/me/venv/bin/moontrim", "/root/x", "/tmp/x", "/var/tmp/x"])
def test_a_program_that_the_service_would_not_see(place: str) -> None:
    with pytest.raises(InputError, match="/opt/moontrim"):
        refuse_hidden({"moontrim": Path(place)})
    refuse_hidden({"moontrim": Path("/opt/moontrim/bin/moontrim"), "x": Path("/usr/homer")})


def test_a_program_out_of_sight_is_installed_nowhere_but_shown(
    config: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.executable", "/home/me/venv/bin/python")
    monkeypatch.setattr(Path, "is_file", lambda path: True)
    assert install("--config", config, "--dry-run") == 0
    assert "invalid value '/home/me/venv/bin/moontrim'" in capsys.readouterr().out
    monkeypatch.setattr("os.geteuid", lambda: 0)
    with pytest.raises(InputError, match="hidden from the service"):
        install("--config", config)


def test_a_place_that_cannot_be_written(tmp_path: Path, config: Path) -> None:
    (tmp_path / "image").write_text("a file")
    with pytest.raises(InputError):
        install("--config", config, "--root", tmp_path / "image", "--program", "/opt/moontrim")


def test_the_service_can_read_its_config_whatever_the_umask(tmp_path: Path, config: Path) -> None:
    """It runs as a user of its own."""
    before = os.umask(0o077)
    try:
        install("--config", config, "--root", tmp_path / "root", "--program", "/opt/moontrim")
    finally:
        os.umask(before)
    folder = tmp_path / "root/etc/moontrim"
    assert (folder / "north.toml").stat().st_mode & 0o777 == 0o644
    assert folder.stat().st_mode & 0o777 == 0o755


# --- the files themselves -------------------------------------------------------------------------


def directives(name: str) -> dict[str, dict[str, str]]:
    parser = configparser.RawConfigParser(strict=False, allow_no_value=True)
    parser.optionxform = str  # type: ignore[assignment, method-assign]
    parser.read_string(shipped(name))
    return {section: dict(parser[section]) for section in parser.sections()}


@pytest.mark.parametrize("name", ["moontrim@.service", "user.service"])
def test_the_unit_says_what_the_daemon_relies_on(name: str) -> None:
    service = directives(name)["Service"]
    assert service["Type"] == "notify" and service["NotifyAccess"] == "main"
    assert service["RestartPreventExitStatus"] == "2" and service["Restart"] == "always"
    # After a death of the daemon its guard process must live until it has unkeyed the radio; at an
    # orderly stop the daemon alone must get SIGTERM, and end before its broker does.
    assert service["KillMode"] == "control-group"
    kill, wait = re.findall(r"^ExecStop=-(.*)$", shipped(name), re.MULTILINE)
    assert kill == "/bin/kill -s TERM $MAINPID" and "tail --pid=$MAINPID " in wait
    assert service["ExecStopPost"].startswith(f"-{PROGRAM} unkey --config ")


def test_the_example_drop_in_has_no_effect() -> None:
    assert directives("local.conf") == {"Service": {}}


def test_every_rule_is_well_formed() -> None:
    """Keys as in udev(7), commented examples included."""
    key = r'(SUBSYSTEM|SUBSYSTEMS|KERNEL|ENV\{\w+\}|SYMLINK|GROUP|MODE)(==|\+=|=)"[^"]+"'
    rules = [
        line.removeprefix("#")
        for line in shipped("70-moontrim.rules").splitlines()
        if line.removeprefix("#").startswith("SUBSYSTEM")
    ]
    assert len(rules) == 3
    for rule in rules:
        assert re.fullmatch(f"{key}(, {key})*", rule), rule
