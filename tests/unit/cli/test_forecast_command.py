"""`moontrim forecast`: options, the config, refusals, exit codes."""

from __future__ import annotations

import argparse
import json
import tomllib
from collections.abc import Sequence
from pathlib import Path

import pytest

from moontrim.cli import forecast as command
from moontrim.cli import forecastquestions
from moontrim.config.settings import settings_from
from moontrim.errors import InputError

FROM = "2026-03-20T12:00:00Z"
BASE = ("--home", "JN88ee", "--frequency", "10368.1e6", "--from", FROM)


CONFIG = """
partner = "self"
[home]
locator = "JN88ee"
[[bands]]
name = "144"
sked_hz = 144120000
tx_low_hz = 144000000
tx_high_hz = 146000000
[[bands]]
name = "10G"
sked_hz = 10368100000
tx_low_hz = 10368000000
tx_high_hz = 10370000000
[defaults]
band = "10G"
[equipment]
min_elevation_deg = 5
horizon = [[0, 2], [180, 10]]
receiver_noise_k = 70
[equipment.bands."10G"]
dish_diameter_m = 1.8
power_w = 50
[[partners]]
name = "west"
locator = "FN20"
[[partners]]
name = "south"
locator = "QF22"
[partners.equipment]
antenna_gain_dbi = 40
power_w = 40
receiver_noise_k = 80
[forecast]
days = 3
timezone = "Europe/Vienna"
[forecast.bands."10G"]
threshold_db = -22
max_spread_hz = 60
"""


def parse(arguments: Sequence[str]) -> argparse.Namespace:
    top = argparse.ArgumentParser()
    command.add(top.add_subparsers())
    return top.parse_args(["forecast", *arguments])


def run(*arguments: str) -> int:
    options = parse(arguments)
    return int(options.call(options))


def work(*arguments: str) -> forecastquestions.Work:
    return forecastquestions.work_of(parse(arguments), 1_770_000_030.0)


@pytest.fixture
def config(monkeypatch: pytest.MonkeyPatch) -> None:
    settings = settings_from(tomllib.loads(CONFIG), "test")
    monkeypatch.setattr(forecastquestions, "settings_of", lambda options: settings)


def test_json_for_several_partners(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(*BASE, "--partner", "self", "--partner", "FN20", "--days", "2", "--json") == 0
    out, err = capsys.readouterr()
    windows = json.loads(out)
    assert {window["partner"] for window in windows} == {"self", "FN20"}
    assert err.count("No S/N for ") == 1
    assert "No S/N for own echoes and FN20 on 10 368.1 MHz: " in err


def test_table_is_the_default(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(*BASE, "--partner", "self", "--days", "2", "--timezone", "Asia/Tokyo") == 0
    assert "JST" in capsys.readouterr().out


def test_files_instead_of_a_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    places = [tmp_path / name for name in ("a.csv", "a.ics", "a.svg")]
    options = zip(("--csv", "--calendar", "--plot"), map(str, places), strict=True)
    given = [word for pair in options for word in pair]
    assert run(*BASE, "--partner", "self", "--days", "1", *given) == 0
    out, err = capsys.readouterr()
    assert out == ""
    for place in places:
        assert place.exists() and str(place) in err
    assert run(*BASE, "--partner", "self", "--days", "1", "--table", *given) == 0
    assert "home, echoes" in capsys.readouterr().out


@pytest.mark.usefixtures("config")
def test_good_stretches(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--from", FROM, "--good") == 0
    out, err = capsys.readouterr()
    assert "spread at most 60 Hz limb to limb" in out and "-22.0 dB" in out
    assert "spread at most" not in err and "ranked" not in out
    place = tmp_path / "good.ics"
    assert run("--from", FROM, "--good", "--max-spread", "90", "--calendar", str(place)) == 0
    out, err = capsys.readouterr()
    assert out == "" and "good stretches: spread at most 90 Hz" in err
    events = place.read_bytes().count(b"BEGIN:VEVENT")
    assert run("--from", FROM, "--good", "--max-spread", "90", "--json") == 0
    out, err = capsys.readouterr()
    assert len(json.loads(out)) == events > 0
    assert "good stretches: spread at most 90 Hz" in err
    assert run("--from", FROM, "--good", "--max-spread", "0.001", "--json") == 1
    assert json.loads(capsys.readouterr().out) == []


def test_good_stretches_without_a_limit(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(*BASE, "--partner", "self", "--days", "2", "--good") == 0
    assert "no limit of spread given" in capsys.readouterr().out


def test_nobody_shares_the_moon(capsys: pytest.CaptureFixture[str]) -> None:
    far = ("--partner=-48.17,-163.7", "--days", "5")
    assert run(*BASE, *far, "--json") == 1
    out, err = capsys.readouterr()
    assert json.loads(out) == []
    assert "never above the horizon" in err
    assert run(*BASE, *far, "--partner", "self", "--json") == 0


def test_ten_years(capsys: pytest.CaptureFixture[str]) -> None:
    """What the tables hold is there, the rest is named."""
    late = ("--home", "JN88ee", "--frequency", "144e6", "--from", "2027-10-20T00:00:00Z")
    assert run(*late, "--partner", "self", "--days", "3650", "--json") == 0
    out, err = capsys.readouterr()
    assert "of the requested span" in err
    assert len(json.loads(out)) >= 5


@pytest.mark.parametrize(
    ("options", "field"),
    [
        (("--partner", "nowhere"), "--partner"),
        (("--partner", "self", "--days", "0"), "--days"),
        (("--partner", "self", "--days", "4000"), "--days"),
        (("--partner", "self", "--days", "nan"), "--days"),
        (("--partner", "self", "--min-elevation", "95"), "--min-elevation"),
        (("--partner", "self", "--max-spread", "-1"), "--max-spread"),
        (("--partner", "self", "--horizon", "90:1,10:2"), "horizon"),
        (("--partner", "self", "--horizon", "90-1"), "--horizon"),
        (("--partner", "self", "--horizon", "90:1:2"), "--horizon"),
        (("--partner", "self", "--timezone", "Moon/Base"), "--timezone"),
        (("--partner", "self", "--plot", "a.bmp"), "--plot"),
        (("--partner", "self", "--good", "--plot", "a.png"), "--good"),
        (("--partner", "self", "--good", "--csv", "a.csv"), "--good"),
    ],
)
def test_refusals(options: tuple[str, ...], field: str) -> None:
    with pytest.raises(InputError) as refused:
        run(*BASE, *options)
    assert refused.value.field == field


def test_without_anything_a_config_is_asked_for(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    with pytest.raises(InputError, match="--config"):
        work("--home", "JN88")


@pytest.mark.usefixtures("config")
def test_everything_from_the_config() -> None:
    made = work()
    west, south = made.questions
    assert [ask.partner_name for ask in made.questions] == ["west", "south"]
    assert west.frequency_hz == 10_368_100_000.0
    assert west.max_spread_hz == 60.0 and west.signal.threshold_db == -22.0
    assert west.home.horizon.min_elevation_deg == 5.0 and len(west.home.horizon.mask) == 2
    assert west.home.gear.power_w == 50.0 and west.home.gear.receiver_noise_k == 70.0
    assert west.home.gear.antenna is not None
    assert south.partner is not None and south.partner.gear.power_w == 40.0
    assert west.from_utc_s == 1_770_000_000.0
    assert west.until_utc_s - west.from_utc_s == 3 * 86400.0
    assert str(made.zone) == "Europe/Vienna"


@pytest.mark.usefixtures("config")
def test_options_over_the_config() -> None:
    options = ("--partner", "south", "--band", "144", "--days", "7", "--max-spread", "2")
    (ask,) = work(*options).questions
    assert ask.frequency_hz == 144_120_000.0
    assert ask.home.gear.antenna is None and ask.home.gear.power_w is None
    assert ask.partner is not None and ask.partner.name == "south"
    assert ask.max_spread_hz == 2.0
    assert ask.until_utc_s - ask.from_utc_s == 7 * 86400.0
    (again,) = work(*(" SOUTH" if text == "south" else text for text in options)).questions
    assert again == ask, "names in any case"
    (ask,) = work("--partner", "KP20", "--min-elevation", "12", "--horizon", "10:3,50:20").questions
    assert ask.partner is not None and ask.partner.horizon.min_elevation_deg == 12.0
    assert ask.home.horizon.min_elevation_deg == 12.0
    assert ask.home.horizon.mask == ((10.0, 3.0), (50.0, 20.0))
    # A frequency finds its band; elsewhere the horizon there is not known.
    (ask,) = work("--partner", "self", "--frequency", "10369e6").questions
    assert ask.frequency_hz == 10_369e6 and ask.home.gear.power_w == 50.0
    (ask,) = work("--partner", "self", "--frequency", "432e6").questions
    assert ask.home.gear.power_w is None
    (ask,) = work("--partner", "self", "--home", "KP20").questions
    assert ask.home.horizon.mask == () and ask.home.gear.power_w == 50.0
    assert len(work("--partner", "self", "--partner", "west", "--partner", "self").questions) == 2


@pytest.mark.usefixtures("config")
def test_unknown_band() -> None:
    with pytest.raises(InputError, match="144, 10G"):
        work("--band", "432")


@pytest.mark.usefixtures("config")
def test_which_partner_tonight(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--from", FROM) == 0
    out, err = capsys.readouterr()
    assert "partners ranked for the first 24 hours" in out
    assert "No S/N for west on 10 368.1 MHz: " in err
    assert "south" not in err


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ("[equipment]\nhorizon = [[90, 1], [10, 2]]", "each above the last"),
        ('[equipment.bands."432"]\npower_w = 5', "432"),
    ],
)
def test_a_config_that_makes_no_sense(tmp_path: Path, table: str, says: str) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(CONFIG.split("[equipment]")[0] + table)
    with pytest.raises(InputError, match=says):
        run("--config", str(path))
